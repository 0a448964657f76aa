package vigil

import (
	"testing"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// TestOffsetOfAnEarlierTime: the collector's clock went on while this one was set.
func TestOffsetOfAnEarlierTime(t *testing.T) {
	wall := time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)
	b := &beats{
		at:    watch.Reading{Wall: wall, Boot: "6c5d", SinceBoot: time.Hour},
		ahead: &rig.ClockOffset{Ahead: 300 * time.Second, Uncertainty: time.Millisecond, Measured: wall.Add(-time.Second)},
	}
	for name, test := range map[string]struct {
		wall time.Time
		at   watch.Instant
		want time.Duration
	}{
		"not set since":        {wall.Add(-10 * time.Minute), watch.Instant{Boot: "6c5d", At: 50 * time.Minute}, 300 * time.Second},
		"set back by an hour":  {wall.Add(50 * time.Minute), watch.Instant{Boot: "6c5d", At: 50 * time.Minute}, 300*time.Second + time.Hour},
		"set forward by a day": {wall.Add(-10*time.Minute - 24*time.Hour), watch.Instant{Boot: "6c5d", At: 50 * time.Minute}, 300*time.Second - 24*time.Hour},
	} {
		o := b.offset(test.wall, test.at)
		if o == nil || o.Ahead != test.want || o.Uncertainty != time.Millisecond || !o.Measured.Equal(b.ahead.Measured.Add(test.want-300*time.Second)) {
			t.Errorf("%s: %+v, want %v ahead", name, o, test.want)
		}
	}
	if o := b.offset(wall, watch.Instant{Boot: "another", At: time.Minute}); o != nil {
		t.Errorf("of another boot: %+v", o)
	}
	if o := (*beats)(nil).offset(wall, watch.Instant{Boot: "6c5d"}); o != nil {
		t.Errorf("without a collector: %+v", o)
	}
}
