package answer_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/rig"
)

// same compares what was sent with what came: what is not a number is so on both
// sides, an empty list may come as none.
var same = cmp.Options{cmpopts.EquateNaNs(), cmpopts.EquateEmpty(), cmp.AllowUnexported(rig.Value{})}

func heron(t *testing.T) *labtest.Rig { return labtest.NewRig("heron", labtest.Rand(t)) }

func TestSummaryRoundTrip(t *testing.T) {
	g := heron(t)
	for i := range 200 {
		s := summary(g.Finish(labtest.Shape{}))
		switch i % 3 {
		case 1:
			s.Statistics = answer.NoStatistics("layout: two columns could be meant")
		case 2:
			s.Judgement = drift.Judgement{Standing: drift.Clean}
		}
		b, err := s.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		got, err := answer.ParseSummary(b)
		if err != nil {
			t.Fatal(err)
		}
		s.Results = withoutPlace(s)
		if diff := cmp.Diff(s, got, same); diff != "" {
			t.Fatal(diff)
		}
	}
}

// withoutPlace drops where in the output a result stood, which is not kept.
func withoutPlace(s answer.Summary) (out []resultOf) {
	for _, r := range s.Results {
		r.Line, r.Count = 0, 0
		out = append(out, r)
	}
	return out
}

func TestParseSummaryRefuses(t *testing.T) {
	for name, b := range map[string][]byte{"junk": []byte("\xff\xff\xff"), "empty": nil, "another message": {0x0a, 0x03, 'a', 'b', 'c'}} {
		if _, err := answer.ParseSummary(b); err == nil {
			t.Errorf("%s was taken for a summary", name)
		}
	}
}

// What parses is what its own bytes say again. Fuzz with -fuzzminimizetime=10x:
// protobuf's deliberate randomness keeps the minimiser busy for its whole minute.
func FuzzParseSummary(f *testing.F) {
	b, err := summary(labtest.NewRig("heron", labtest.Seeded(1)).Finish(labtest.Shape{})).Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := answer.ParseSummary(b)
		if err != nil {
			return
		}
		again, err := s.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		got, err := answer.ParseSummary(again)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(s, got, same); diff != "" {
			t.Fatal(diff)
		}
		if err := jsonOf(s.Brief()); err != nil {
			t.Fatalf("what came off the wire has no JSON: %v", err)
		}
	})
}

func TestListsComeWhole(t *testing.T) {
	s := (&shelf{}).add(heron(t), 150) // more than two messages
	c := served(t, s, nil)
	want, _ := s.Rigs(t.Context())
	rigs, err := c.Rigs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, rigs, same); diff != "" {
		t.Error(diff)
	}
	q := answer.Query{
		Rig: "heron", Workload: "orrery", Setup: "memory-rated", Standing: "void",
		From: time.Date(2031, 3, 2, 0, 0, 0, 1, time.UTC), Before: time.Date(2031, 3, 3, 0, 0, 0, 0, time.UTC), Limit: 7,
	}
	var got []string
	if err := c.Runs(t.Context(), q, func(r answer.Summary) error { got = append(got, r.ID); return nil }); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, r := range s.runs {
		ids = append(ids, r.ID)
	}
	if diff := cmp.Diff(ids, got); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(q, s.asked); diff != "" {
		t.Errorf("the book was asked otherwise: %s", diff)
	}
}

func TestListingStopsWhenToldTo(t *testing.T) {
	c := served(t, (&shelf{}).add(heron(t), 100), nil)
	enough := errors.New("enough")
	n := 0
	err := c.Runs(t.Context(), answer.Query{}, func(answer.Summary) error {
		if n++; n == 3 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || n != 3 {
		t.Errorf("after %d runs: %v", n, err)
	}
}

func TestShowGivesWhatIsKept(t *testing.T) {
	g := heron(t)
	s := (&shelf{}).add(g, 20)
	big := logged(g)
	s.runs = append(s.runs, big)
	c := served(t, s, nil)
	for _, r := range s.runs {
		want, _ := s.Show(t.Context(), r.ID)
		for _, id := range []string{r.ID, r.ID[16:]} {
			got, err := c.Show(t.Context(), id)
			if err != nil {
				t.Fatal(err)
			}
			want.Summary.Results = withoutPlace(want.Summary)
			if diff := cmp.Diff(want, got, same); diff != "" {
				t.Fatal(diff)
			}
		}
		for i, a := range r.Attachments {
			b, err := c.Attachment(t.Context(), r.ID, a.Name)
			if err != nil || !bytes.Equal(b, r.Data[i]) {
				t.Fatalf("attachment %s of %d bytes: %d bytes, %v", a.Name, len(r.Data[i]), len(b), err)
			}
		}
	}
	if b, err := c.Attachment(t.Context(), big.ID, ""); err != nil || !bytes.Equal(b, big.Data[0]) {
		t.Errorf("the only timing log: %d bytes, %v", len(b), err)
	}
}

func TestMarks(t *testing.T) {
	s := (&shelf{}).add(heron(t), 3)
	c := served(t, s, nil)
	r := s.runs[1]
	if m, _, err := c.Mark(t.Context(), "heron", "memory-rated"); m != nil || err != nil {
		t.Errorf("before any: %v, %v", m, err)
	}
	m, receipt, err := c.AcceptMark(t.Context(), r.ID[16:], "operator", "after the new cooler")
	if err != nil || m.RunID != r.ID || m.By != "operator" || m.Why != "after the new cooler" || receipt.Index != 5 {
		t.Fatalf("got %v, %v, %v", m, receipt, err)
	}
	got, snap, err := c.Mark(t.Context(), "heron", summary(r).Setup)
	if err != nil || got == nil {
		t.Fatalf("after it: %v, %v", got, err)
	}
	if diff := cmp.Diff(s.marks[0], *got); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(r.Before, snap, same); diff != "" {
		t.Errorf("the snapshot is not that of the signed record: %s", diff)
	}
}

func TestErrorsKeepTheirMeaning(t *testing.T) {
	g := heron(t)
	s := (&shelf{}).add(g, 2)
	s.runs = append(s.runs, logged(g))
	c := served(t, s, nil)
	last := s.runs[2]
	show := func(id string) error { _, err := c.Show(t.Context(), id); return err }
	attachment := func(name string) error { _, err := c.Attachment(t.Context(), last.ID, name); return err }
	var names []string
	for _, a := range last.Attachments {
		names = append(names, a.Name)
	}
	for _, e := range []struct {
		err  error
		kind error
		line string
		hint string
	}{
		{show("zzzz"), answer.ErrNotFound, "find run: zzzz: not kept here", "list the runs with: collector runs"},
		{show("2031"), answer.ErrAmbiguous, "find run: 2031: more than one fits", "give more letters of the id"},
		{show("broken"), nil, "disk on fire \uFFFD", ""},
		{attachment("no.csv"), answer.ErrNotFound, "read attachment: " + last.ID + " no.csv: not kept here", "its attachments are: " + strings.Join(names, ", ")},
	} {
		if e.err == nil || e.err.Error() != e.line || fault.HintOf(e.err) != e.hint || (e.kind != nil && !errors.Is(e.err, e.kind)) {
			t.Errorf("got %q, hint %q; want %q, %q", e.err, fault.HintOf(e.err), e.line, e.hint)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := c.Rigs(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestNobodyAnswers(t *testing.T) {
	c := unreachable(t)
	_, err := c.Rigs(t.Context())
	if !errors.Is(err, answer.ErrUnreachable) || !strings.HasPrefix(err.Error(), "ask collector: 127.0.0.1:1: ") || fault.HintOf(err) == "" {
		t.Errorf("got %v, hint %q", err, fault.HintOf(err))
	}
	if strings.ContainsAny(err.Error(), "\"\n") || strings.Contains(err.Error(), "desc =") {
		t.Errorf("the network's wrapping is left: %v", err)
	}
}
