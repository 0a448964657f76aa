package answer_test

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

func TestRetracted(t *testing.T) {
	s := answer.Summary{Judgement: drift.Judgement{Standing: drift.Careful}}
	if got := s.Retracted(nil); got.Retraction != nil || got.LeftWhy() != "caution" {
		t.Errorf("never retracted: %+v, left out as %q", got.Retraction, got.LeftWhy())
	}
	lamp := answer.Retracting{By: "keeper", Why: "the lamp was on", Index: 4}
	got := s.Retracted([]answer.Retracting{lamp})
	if got.Judgement.Standing != drift.Voided || got.Retraction.Judged != drift.Careful || got.LeftWhy() != "retracted: the lamp was on" {
		t.Errorf("retracted: %+v, %q", got.Retraction, got.LeftWhy())
	}
	if j := got.Brief(); j.Retracted == nil || j.Retracted.Why != lamp.Why || len(j.Retractions) != 1 || j.JudgedStanding != drift.Careful || j.Standing != drift.Voided {
		t.Errorf("retracted in JSON: %+v", j)
	}
	got = s.Retracted([]answer.Retracting{lamp, {Withdrawn: true, By: "keeper", Why: "it was another room"}})
	if j := got.Brief(); got.Judgement.Standing != drift.Careful || got.LeftWhy() != "caution" || j.Retracted != nil || len(j.Retractions) != 2 {
		t.Errorf("reinstated: %+v, %q, %+v", got.Retraction, got.LeftWhy(), j)
	}
}

func TestRetract(t *testing.T) {
	s := (&shelf{}).add(heron(t), 2)
	c := served(t, s, nil)
	r := s.runs[0]
	sum, receipt, err := c.Retract(t.Context(), r.ID[16:], "keeper", "the lamp was on")
	if err != nil || sum.ID != r.ID || sum.Judgement.Standing != drift.Voided || receipt.Index != 7 {
		t.Fatalf("%+v, %+v, %v", sum, receipt, err)
	}
	want := &answer.Retraction{Judged: summary(r).Judgement.Standing, History: []answer.Retracting{{At: r.Started, By: "keeper", Why: "the lamp was on", Index: 7}}}
	if diff := cmp.Diff(want, sum.Retraction); diff != "" {
		t.Error(diff)
	}
	sum, _, err = c.Reinstate(t.Context(), r.ID, "keeper", "it was another room")
	if err != nil || sum.Judgement.Standing == drift.Voided || sum.Retraction.InForce() != nil || len(sum.Retraction.History) != 1 {
		t.Errorf("%+v, %v", sum.Retraction, err)
	}
	if _, _, err := c.Retract(t.Context(), r.ID, "keeper", "twice"); !errors.Is(err, answer.ErrState) {
		t.Errorf("%v, want ErrState", err)
	}
	if _, _, err := c.Reinstate(t.Context(), "zzzz", "keeper", "why"); !errors.Is(err, answer.ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
}

// What is answered about another run, record or entry is not taken for done.
func TestRetractHoldsTheAnswer(t *testing.T) {
	s := (&shelf{}).add(heron(t), 2)
	entry := func(kind trail.Kind, i int) []byte {
		b, err := trail.Entry{Kind: kind, At: s.runs[i].Started, Digest: s.runs[i].Signed.SHA256(), Subject: s.runs[i].ID, Actor: "keeper", Text: "why"}.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, lie := range map[string]func(*pb.RetractResponse){
		"another run":    func(m *pb.RetractResponse) { m.Summary.Id = s.runs[1].ID },
		"another record": func(m *pb.RetractResponse) { m.Receipt.Leaf = entry(trail.KindRetraction, 1) },
		"another kind":   func(m *pb.RetractResponse) { m.Receipt.Leaf = entry(trail.KindReinstatement, 0) },
		"no receipt":     func(m *pb.RetractResponse) { m.Receipt = nil },
		"no summary":     func(m *pb.RetractResponse) { m.Summary = nil },
	} {
		c := served(t, s, func(m any) {
			if m, ok := m.(*pb.RetractResponse); ok {
				lie(m)
			}
		})
		if got, _, err := c.Retract(t.Context(), s.runs[0].ID, "keeper", "why"); err == nil {
			t.Errorf("%s: got %+v", name, got)
		}
	}
}
