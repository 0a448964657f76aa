package collect

import (
	"testing"
	"time"
)

// TestSilent: three beats missed, and only those that this collector could hear.
func TestSilent(t *testing.T) {
	noon := time.Date(2031, 3, 2, 12, 0, 0, 0, time.UTC)
	p := &present{Came: noon, Every: 10 * time.Second}
	for _, c := range []struct {
		now, started time.Duration
		silent       bool
	}{{30 * time.Second, -time.Hour, false}, {31 * time.Second, -time.Hour, true}, {time.Hour, time.Hour - 30*time.Second, false}, {time.Hour, time.Hour - 31*time.Second, true}} {
		if got := p.summary(noon.Add(c.now), noon.Add(c.started)).Silent; got != c.silent {
			t.Errorf("%v after the beat, started %v: %v", c.now, c.started, got)
		}
	}
}
