package take

import (
	"testing"
	"time"

	"witnessmark/internal/record"
)

// TestClocksOfALog: the record of a log says where its span began on the boot
// clock, and that the wall clock was set in it.
func TestClocksOfALog(t *testing.T) {
	l := newLab(t)
	l.run(time.Minute)
	began := l.since
	l.run(10 * time.Second)
	l.wall = l.wall.Add(-time.Hour)
	l.run(10 * time.Second)
	l.give(l.put("orrery.csv", logOf(20, 0)))
	c := l.only().Clock
	if c == nil || c.Boot != "boot-0" || c.SinceBoot.Round(time.Millisecond) != began {
		t.Fatalf("%+v, began %v", c, began)
	}
	if len(c.Events) != 1 || c.Events[0].Kind != record.ClockStep || c.Events[0].By.Round(time.Second) != -time.Hour ||
		c.Events[0].At < 9*time.Second || c.Events[0].At > 12*time.Second {
		t.Errorf("%+v", c.Events)
	}
}

// TestAnEventThatTheTakerNoticesIsTold: whoever looks at the clocks first after
// one was set is the only one to learn of it.
func TestAnEventThatTheTakerNoticesIsTold(t *testing.T) {
	l := newLab(t)
	l.run(20 * time.Second)
	l.wall, l.since = l.wall.Add(time.Hour+time.Second), l.since+time.Second
	l.give(l.put("orrery.csv", logOf(10, 0)))
	if len(l.events) != 1 || l.events[0].Stepped.Round(time.Second) != time.Hour {
		t.Errorf("%+v", l.events)
	}
	if e, err := l.timeline.Note(l.Read()); e != nil || err != nil {
		t.Errorf("noticed once more: %v, %v", e, err)
	}
}
