package deliver_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
)

// TestOffsetByHand is RFC 5905's on-wire arithmetic with numbers of our own: T1 =
// 12:00:00.000 and T4 = 12:00:00.050 on the rig, T2 = 11:55:00.020 and T3 =
// 11:55:00.030 on the collector give theta = ((T2-T1)+(T3-T4))/2 = -300 s and
// delta = (T4-T1)-(T3-T2) = 40 ms.
func TestOffsetByHand(t *testing.T) {
	var o deliver.Offsets
	if o.At(noon, time.Hour) != nil {
		t.Error("an offset out of nothing")
	}
	left := time.Hour
	behind := noon.Add(-5 * time.Minute)
	o.Add(left, behind.Add(20*time.Millisecond), behind.Add(30*time.Millisecond), left+50*time.Millisecond)
	got := o.At(noon, left)
	if got == nil || got.Ahead != 5*time.Minute || (got.Uncertainty-20*time.Millisecond).Abs() > time.Microsecond || !got.Measured.Equal(noon.Add(25*time.Millisecond)) {
		t.Errorf("%+v", got)
	}
}

// TestOffsets has answers that took any ways, clocks that are set on both sides,
// and a machine that sleeps: the truth lies within what is given.
func TestOffsets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var o deliver.Offsets
		boot := time.Hour // by the boot clock
		rigAhead := time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "ahead"))
		collector := func(at time.Duration) time.Time { return noon.Add(at) }
		wall := func(at time.Duration) time.Time { return noon.Add(at + rigAhead) }
		ms := func(name string, most int) time.Duration {
			return time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Millisecond
		}
		best := time.Duration(1 << 62)
		for range rapid.IntRange(1, 20).Draw(t, "beats") {
			boot += ms("pause", 100_000)
			if rapid.IntRange(0, 4).Draw(t, "step") == 0 {
				rigAhead += ms("step", 1e7)
			}
			there, work, back := ms("there", 3000), ms("work", 500), ms("back", 3000)
			o.Add(boot, collector(boot+there), collector(boot+there+work), boot+there+work+back)
			boot += there + work + back
			best = min(best, there+back)
			got := o.At(wall(boot), boot)
			if got == nil {
				t.Fatal("nothing is known after an answer")
			}
			if off := (got.Ahead - rigAhead).Abs(); off > got.Uncertainty {
				t.Fatalf("%v from the truth, %v was said", off, got.Uncertainty)
			}
			if least := (there + back) / 2; got.Uncertainty > least+time.Millisecond {
				t.Fatalf("uncertain by %v after a round trip of %v", got.Uncertainty, there+back)
			}
		}
	})
}

// TestOffsetAfterTheCollectorsClockWasSet follows the newer answers.
func TestOffsetAfterTheCollectorsClockWasSet(t *testing.T) {
	var o deliver.Offsets
	o.Add(0, noon, noon, time.Millisecond)
	later := noon.Add(time.Hour + 10*time.Second) // set forward by an hour
	o.Add(10*time.Second, later, later, 10*time.Second+100*time.Millisecond)
	if got := o.At(noon.Add(11*time.Second), 11*time.Second); (got.Ahead + time.Hour).Abs() > 100*time.Millisecond {
		t.Errorf("%+v", got)
	}
	o.Add(20*time.Second, noon, noon.Add(-time.Second), 21*time.Second)
	o.Add(20*time.Second, noon, noon, 19*time.Second)
	o.Add(20*time.Second, noon, noon.Add(time.Minute), 21*time.Second)
	if got := o.At(noon.Add(11*time.Second), 11*time.Second); (got.Ahead + time.Hour).Abs() > 100*time.Millisecond {
		t.Errorf("after answers that cannot be: %+v", got)
	}
}
