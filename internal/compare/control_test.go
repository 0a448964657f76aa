package compare_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/compare"
	"witnessmark/internal/rig"
)

// plain is a rig in order, of a few facts; change alters them.
func plain(id string, change ...func(*compare.Run, facts)) compare.Run {
	f := facts{}
	for _, e := range rig.Catalogue {
		if e.Relied {
			f[e.Key] = rig.Fact{Key: e.Key, Value: rig.NumberOf(2), Unit: e.Unit}
		}
	}
	f.text("cpu.model", "Meridian 8")
	f.number("memory.speed", 3200, rig.MTps)
	f.number("memory.module[DIMM_A1].speed", 3200, rig.MTps)
	f.text("memory.module[DIMM_A1].part", "ZN-3200-16")
	f.number("memory.size", 32768, rig.MiB)
	f.number("cpu.clock_max", 4100, rig.MHz)
	f.text("firmware.version", "1.08")
	f.text("graphics[0000:01:00.0].driver_version", "6.1.2")
	f.text("machine.serial", "s-heron")
	f.number("load.idle_before", 99, rig.Percent)
	r := compare.Run{ID: id, Rig: "heron", Workload: "orrery", WorkloadVersion: "3", Content: "time",
		Settings: map[string]string{"width": "1280"}, Noted: map[string]string{"cooler": "two-fan tower"}}
	for _, c := range change {
		c(&r, f)
	}
	var list []rig.Fact
	for _, x := range f {
		list = append(list, x)
	}
	r.Before = rig.NewSnapshot(time.Time{}, list)
	if r.After.Facts == nil {
		r.After = r.Before
	}
	return r
}

type facts map[rig.Key]rig.Fact

func (f facts) text(k rig.Key, s string) { f[k] = rig.Fact{Key: k, Value: rig.TextOf(s)} }
func (f facts) number(k rig.Key, v float64, u rig.Unit) {
	f[k] = rig.Fact{Key: k, Value: rig.NumberOf(v), Unit: u}
}
func (f facts) unread(k rig.Key, r rig.Reason) {
	f[k] = rig.Fact{Key: k, Unread: rig.Unread{Reason: r}}
}

// change is one alteration of a run.
type change = func(*compare.Run, facts)

func set(k rig.Key, v float64) change {
	return func(_ *compare.Run, f facts) { f.number(k, v, f[k].Unit) }
}
func text(k rig.Key, s string) change       { return func(_ *compare.Run, f facts) { f.text(k, s) } }
func unread(k rig.Key, r rig.Reason) change { return func(_ *compare.Run, f facts) { f.unread(k, r) } }
func gone(k rig.Key) change                 { return func(_ *compare.Run, f facts) { delete(f, k) } }
func of(c func(*compare.Run)) change        { return func(r *compare.Run, _ facts) { c(r) } }
func side(n int, name string, cs ...change) (out []compare.Run) {
	for i := range n {
		out = append(out, plain(fmt.Sprintf("%s%d", name, i), cs...))
	}
	return out
}

var slower = []change{set("memory.speed", 2400), set("memory.module[DIMM_A1].speed", 2400)}

func TestControl(t *testing.T) {
	vary := func(ks ...rig.Key) compare.Terms { return compare.Terms{Vary: ks} }
	for name, c := range map[string]struct {
		base, against []compare.Run
		terms         compare.Terms
		want          string // "factor|follows|not controlled|not known|absent", keys apart by blanks
	}{
		"nothing differs":              {side(2, "b"), side(2, "a"), vary(), "||||"},
		"a factor that differs":        {side(2, "b"), side(2, "a", slower...), vary("memory.speed"), "memory.speed|memory.module[DIMM_A1].speed|||"},
		"a factor that does not":       {side(2, "b"), side(2, "a"), vary("memory.speed"), "memory.speed||||"},
		"nobody named it":              {side(2, "b"), side(2, "a", slower...), vary(), "||memory.module[DIMM_A1].speed memory.speed||"},
		"over several steps":           {side(1, "b"), side(1, "a", text("cpu.model", "Meridian 16"), set("cpu.clock_max", 4500), set("cpu.cores", 16), set("cpu.threads", 32)), vary("cpu.model"), "cpu.model|cpu.clock_max cpu.cores cpu.threads|||"},
		"what follows from other":      {side(1, "b"), side(1, "a", append(slower, set("cpu.clock_max", 4500))...), vary("memory.speed"), "memory.speed|memory.module[DIMM_A1].speed|cpu.clock_max||"},
		"declared to follow":           {side(1, "b"), side(1, "a", append(slower, text("memory.module[DIMM_A1].part", "ZN-2400"))...), compare.Terms{Vary: []rig.Key{"memory.speed"}, Follows: []rig.Key{"memory.module[].part"}}, "memory.speed|memory.module[DIMM_A1].part memory.module[DIMM_A1].speed|||"},
		"a family as the factor":       {side(1, "b"), side(1, "a", text("memory.module[DIMM_A1].part", "ZN-2400")), vary("memory.module[].part"), "memory.module[DIMM_A1].part||||"},
		"within tolerance":             {side(1, "b"), side(1, "a", set("cpu.clock_max", 4101)), vary(), "||||"},
		"outside tolerance":            {side(1, "b"), side(1, "a", set("cpu.clock_max", 4150)), vary(), "||cpu.clock_max||"},
		"a tolerance of the lab":       {side(1, "b"), side(1, "a", set("cpu.clock_max", 4150)), compare.Terms{Within: map[rig.Key]rig.Tolerance{"cpu.clock_max": {Absolute: 50}}}, "||||"},
		"one side is two":              {append(side(2, "b"), side(1, "c", slower...)...), side(2, "a", slower...), vary("memory.speed"), "||memory.module[DIMM_A1].speed memory.speed||"},
		"passing facts":                {side(1, "b"), side(1, "a", set("load.idle_before", 10)), vary(), "||||"},
		"unread on one side":           {side(2, "b"), side(2, "a", unread("firmware.version", rig.Denied)), vary(), "|||firmware.version|"},
		"unread in one run":            {side(2, "b"), append(side(1, "a"), side(1, "c", unread("firmware.version", rig.Absent))...), vary(), "|||firmware.version|"},
		"denied on both":               {side(1, "b", unread("machine.serial", rig.Denied)), side(1, "a", unread("machine.serial", rig.Denied)), vary(), "|||machine.serial|"},
		"absent on both":               {side(1, "b", unread("platform.profile", rig.Absent)), side(1, "a", unread("platform.profile", rig.Absent)), vary(), "||||platform.profile"},
		"absent and relied on":         {side(1, "b", unread("memory.speed", rig.Absent)), side(1, "a", unread("memory.speed", rig.Absent)), vary(), "|||memory.speed|"},
		"never looked for":             {side(1, "b", gone("memory.speed")), side(1, "a", gone("memory.speed")), vary(), "|||memory.speed|"},
		"the factor is unread":         {side(1, "b"), side(1, "a", unread("memory.speed", rig.Refused)), vary("memory.speed"), "|||memory.speed|"},
		"the factor is unread on both": {side(1, "b", unread("platform.profile", rig.Absent)), side(1, "a", unread("platform.profile", rig.Absent)), vary("platform.profile"), "|||platform.profile|"},
		"no run has the factor":        {side(1, "b"), side(1, "a"), vary("platform.profile"), "|||platform.profile|"},
		"a device is gone":             {side(1, "b"), side(1, "a", gone("memory.module[DIMM_A1].part"), gone("memory.module[DIMM_A1].speed")), vary(), "||memory.module[DIMM_A1].part memory.module[DIMM_A1].speed||"},
		"modules that rights hide":     {side(1, "b"), side(1, "a", unread("memory.modules", rig.Denied), gone("memory.module[DIMM_A1].part"), gone("memory.module[DIMM_A1].speed")), vary(), "|||memory.module[DIMM_A1].part memory.module[DIMM_A1].speed memory.modules|"},
		"another rig":                  {side(1, "b"), side(1, "a", text("machine.serial", "s-plover"), of(func(r *compare.Run) { r.Rig = "plover" })), vary(compare.RigName), "rig.name|machine.serial|||"},
		"another rig, unnamed":         {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Rig = "plover" })), vary(), "||rig.name||"},
		"another version":              {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.WorkloadVersion = "4" })), vary(), "||workload.version||"},
		"another setting":              {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Settings = map[string]string{"width": "640"} })), vary(), "||workload.setting[width]||"},
		"a setting more":               {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Settings = map[string]string{"width": "1280", "height": "720"} })), vary(), "||workload.setting[height]||"},
		"another definition":           {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Definition = map[string]string{"log": "gpu_ms as duration"} })), vary(), "||workload.definition[log]||"},
		"noted otherwise":              {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Noted = map[string]string{"cooler": "passive"} })), vary(), "||noted.cooler||"},
		"noted on one side":            {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Noted = nil })), vary(), "|||noted.cooler|"},
		"played against measured":      {side(1, "b"), side(1, "a", of(func(r *compare.Run) { r.Played = "made up" })), vary(), "||run.played||"},
		"changed during the run": {side(1, "b"), side(1, "a", func(r *compare.Run, f facts) {
			r.After = rig.NewSnapshot(time.Time{}, []rig.Fact{{Key: "firmware.version", Value: rig.TextOf("1.10")}})
		}), vary(), "||firmware.version||"},
	} {
		t.Run(name, func(t *testing.T) {
			got := c.terms.Control(c.base, c.against)
			if s := strings.Join([]string{list(got.Factor), list(got.Follows), list(got.NotControlled), list(got.NotKnown), list(got.Absent)}, "|"); s != c.want {
				t.Errorf("%s\nwant %s", s, c.want)
			}
			if want := strings.Split(c.want, "|"); got.Controlled != (want[2] == "" && want[3] == "") {
				t.Errorf("controlled %v", got.Controlled)
			}
			if h := got.Headline(); strings.HasPrefix(h, "controlled") != got.Controlled || strings.HasPrefix(h, "not controlled: ") == got.Controlled {
				t.Errorf("headline %q", h)
			}
		})
	}
}

func list(ds []compare.Difference) string {
	var out []string
	for _, d := range ds {
		out = append(out, string(d.Fact))
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// TestControlRuns holds that the runs that differ are named, and what they have.
func TestControlRuns(t *testing.T) {
	c := compare.Control(side(3, "b"), append(side(2, "a"), side(1, "odd", text("firmware.version", "1.10"))...), nil)
	if d := c.NotControlled[0]; !slices.Equal(d.Runs, []string{"odd0"}) || d.Class != compare.Firmware || len(d.Base) != 1 || len(d.Against) != 2 {
		t.Errorf("%+v", d)
	}
	if w := c.NotControlled[0].Words(); w != "firmware.version: 1.08 on the base, 1.08 in 2 runs, 1.10 in 1 against it" {
		t.Error(w)
	}
	c = compare.Control(side(1, "b"), append(side(2, "a"), side(1, "odd", unread("firmware.version", rig.Denied))...), nil)
	if d := c.NotKnown[0]; !slices.Equal(d.Runs, []string{"odd0"}) {
		t.Errorf("%+v", d)
	}
}

// TestOnly holds that one fact that nobody named is suggested, and only one.
func TestOnly(t *testing.T) {
	for name, c := range map[string]struct {
		against []compare.Run
		want    rig.Key
	}{
		"memory with its module": {side(1, "a", slower...), "memory.speed"},
		"two facts":              {side(1, "a", append(slower, text("firmware.version", "1.10"))...), ""},
		"a workload's fact":      {side(1, "a", of(func(r *compare.Run) { r.WorkloadVersion = "4" })), ""},
		"one side is two":        {append(side(1, "a"), side(1, "c", text("firmware.version", "1.10"))...), ""},
		"nothing":                {side(1, "a"), ""},
	} {
		if got := compare.Control(side(1, "b"), c.against, nil).Only; got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// TestControlOrder holds that the order of the runs changes nothing, tolerances
// included: 4100, 4107 and 4114 MHz are not all within 0.2 %.
func TestControlOrder(t *testing.T) {
	speeds := []float64{4100, 4107, 4114}
	for i := range speeds {
		var runs []compare.Run
		for j := range speeds {
			runs = append(runs, plain(fmt.Sprint("r", j), set("cpu.clock_max", speeds[(i+j)%3])))
		}
		c := compare.Control(runs[:1], runs[1:], nil)
		if list(c.NotControlled) != "cpu.clock_max" {
			t.Errorf("from %v on: %s", speeds[i], list(c.NotControlled))
		}
	}
}

// TestSeveralWorkloads holds that workload facts are compared within a workload
// and machine facts over all.
func TestSeveralWorkloads(t *testing.T) {
	encode := of(func(r *compare.Run) { r.Workload, r.WorkloadVersion, r.Settings = "dome-encode", "1", nil })
	c := compare.Control(append(side(1, "b"), side(1, "be", encode)...), append(side(1, "a"), side(1, "ae", encode)...), nil)
	if !c.Controlled {
		t.Errorf("%s", c.Headline())
	}
	c = compare.Control(append(side(1, "b"), side(1, "be", encode, text("firmware.version", "1.10"))...), append(side(1, "a"), side(1, "ae", encode, text("firmware.version", "1.10"))...), nil)
	if list(c.NotControlled) != "firmware.version" {
		t.Errorf("each workload by itself has one firmware, all together two: %s", c.Headline())
	}
}

// TestDevice holds that what only one side has is told apart from what differs.
func TestDevice(t *testing.T) {
	c := compare.Control(side(1, "b"), side(1, "a", gone("memory.module[DIMM_A1].part"), gone("memory.module[DIMM_A1].speed"), text("firmware.version", "1.10")), nil)
	for _, d := range c.NotControlled {
		want := ""
		if d.Fact.Index() != "" {
			want = "memory.module[DIMM_A1]"
		}
		if d.Device() != want {
			t.Errorf("%s is of the device %q", d.Fact, d.Device())
		}
	}
}
