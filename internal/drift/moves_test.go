package drift_test

import (
	"testing"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

func TestMoves(t *testing.T) {
	at := func(facts ...rig.Fact) rig.Snapshot { return rig.NewSnapshot(time.Time{}, facts) }
	speed := func(n float64) rig.Fact { return rig.Fact{Key: "memory.speed", Value: rig.NumberOf(n), Unit: rig.MTps} }
	up := func(n float64) rig.Fact {
		return rig.Fact{Key: "kernel.uptime", Value: rig.NumberOf(n), Unit: rig.Second}
	}
	if got := drift.Moves(at(speed(3200), up(1)), at(speed(3201), up(9))); len(got) != 0 {
		t.Errorf("within tolerance, or passing: %+v", got)
	}
	got := drift.Moves(at(speed(3200), up(1)), at(up(9), speed(2400)))
	if len(got) != 1 || got[0] != (drift.Move{Fact: "memory.speed", Was: rig.NumberOf(3200), Now: rig.NumberOf(2400), Unit: rig.MTps}) {
		t.Errorf("%+v", got)
	}
}

// TestClockBound: what the offset is uncertain by speaks for the rig.
func TestClockBound(t *testing.T) {
	for _, c := range []struct {
		ahead, uncertain time.Duration
		raised           bool
	}{
		{0, 0, false}, {2 * time.Second, 0, false}, {2001 * time.Millisecond, 0, true}, {-2001 * time.Millisecond, 0, true},
		{3 * time.Second, time.Second, false}, {3001 * time.Millisecond, time.Second, true}, {-time.Hour, time.Second, true},
	} {
		j := drift.Judge(drift.Input{Rig: "heron", Offset: &rig.ClockOffset{Ahead: c.ahead, Uncertainty: c.uncertain}})
		raised := false
		for _, f := range j.Flags {
			raised = raised || f.Fact == "clock.ahead" && f.Kind == drift.Unsteady && f.Weight == rig.Caution && f.Evidence != ""
		}
		if raised != c.raised {
			t.Errorf("%v ahead, uncertain by %v: %v", c.ahead, c.uncertain, raised)
		}
	}
}
