package answer_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
)

func TestParseSelection(t *testing.T) {
	s, err := answer.ParseSelection(`workload=orrery, workload=dome-encode,rig=heron,since=7d,until=2031-03-08,memory.speed=3200,noted.cooler="two fans, loud",k7q2m9xd`, noon)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(s.Labels["workload"], []string{"orrery", "dome-encode"}) || !slices.Equal(s.Labels["rig"], []string{"heron"}) || !slices.Equal(s.IDs, []string{"k7q2m9xd"}) {
		t.Errorf("%+v", s)
	}
	if !s.From.Equal(noon.AddDate(0, 0, -7)) || !s.Before.Equal(time.Date(2031, 3, 9, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("from %v to %v", s.From, s.Before)
	}
	if !slices.Equal(s.Facts["memory.speed"], []string{"3200"}) || !slices.Equal(s.Facts["noted.cooler"], []string{"two fans, loud"}) {
		t.Errorf("%+v", s.Facts)
	}
	if q := s.Queries(); len(q) != 2 || q[1].Workload != "dome-encode" || q[1].Rig != "heron" || !q[1].From.Equal(s.From) {
		t.Errorf("%+v", q)
	}
}

func TestParseSelectionRefuses(t *testing.T) {
	for text, want := range map[string][2]string{
		"":                                  {"it chooses nothing", "workload=orrery"},
		" , ":                               {"it chooses nothing", "workload=orrery"},
		"worklaod=orrery":                   {"worklaod=orrery: there is no such label or fact", "the nearest is workload;"},
		"memory.sped=3200":                  {"memory.sped=3200: there is no such label or fact", "the nearest is memory.speed;"},
		"memory.module[DIMM_A1].spede=1":    {"there is no such label or fact", "memory.module[DIMM_A1].speed;"},
		"rig=":                              {"there is no value", "rig=VALUE"},
		"since=yesterday":                   {"since=yesterday: not a time", "7d"},
		"since=2031-03-05,until=2031-03-01": {"since is not before until", "exchange the two"},
		`rig="heron`:                        {"a quote is left open", "workload=orrery"},
	} {
		_, err := answer.ParseSelection(text, noon)
		if err == nil {
			t.Errorf("%q is taken", text)
			continue
		}
		if m, h := err.Error(), fault.HintOf(err); !strings.Contains(m, want[0]) || !strings.Contains(h, want[1]) || strings.Contains(m, "\n") {
			t.Errorf("%q: %s\nhint: %s", text, m, h)
		}
	}
}

// FuzzParseSelection holds that what is taken chooses something, that only known
// facts are chosen by, and that reading the same text again says the same.
func FuzzParseSelection(f *testing.F) {
	for _, s := range []string{"workload=orrery,rig=heron", "k7q2m9xd", `noted.x="a,b"`, "memory.module[A].part=x,since=1d", "=,=", `"`, "a=b=c"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := answer.ParseSelection(text, noon)
		if err != nil {
			if fault.HintOf(err) == "" {
				t.Errorf("%q is refused without a hint: %v", text, err)
			}
			return
		}
		n := len(s.IDs)
		for _, v := range s.Labels {
			n += len(v)
		}
		for k, v := range s.Facts {
			if n += len(v); !answer.KnownFact(k) {
				t.Errorf("%q chooses by %q", text, k)
			}
		}
		if n == 0 && s.From.IsZero() && s.Before.IsZero() {
			t.Errorf("%q chooses nothing", text)
		}
		if again, err := answer.ParseSelection(text, noon); err != nil || len(again.IDs) != len(s.IDs) {
			t.Errorf("%q reads otherwise again: %v", text, err)
		}
	})
}

func TestKnownFact(t *testing.T) {
	for _, k := range []rig.Key{"memory.speed", "memory.module[DIMM_A1].part", "memory.module[].part", "noted.cooler", "workload.setting[width]", "rig.name", "kernel.module[nvme].version"} {
		if !answer.KnownFact(k) {
			t.Errorf("%s is not known", k)
		}
	}
	for _, k := range []rig.Key{"", "memory", "noted", "setup", "memory.speeds"} {
		if answer.KnownFact(k) {
			t.Errorf("%s is known", k)
		}
	}
}
