package capture

import (
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// clock says where the run's start lies on the boot clock, and how the wall clock
// stands; nil where nobody tells the clocks.
func (r *Rig) clock() *record.Clock {
	if r.Clock == nil {
		return nil
	}
	now := r.Clock.Read()
	c := &record.Clock{BootClock: rig.BootClock{Boot: now.Boot, SinceBoot: now.SinceBoot}}
	if c.Unread = (rig.Unread{Reason: rig.Absent, Detail: "no beat told this agent the collector's time"}); r.Offset != nil {
		c.Offset, c.Unread = r.Offset()
	}
	return c
}

// clocks follows the clocks through a run; nil follows none.
type clocks struct {
	clock    watch.Clock
	timeline watch.Timeline
	from     watch.Instant
}

func (r *Rig) follow() *clocks {
	if r.Clock == nil {
		return nil
	}
	c := &clocks{clock: r.Clock, from: r.Clock.Read().Instant()}
	c.note()
	return c
}

// note looks at the clocks. What is kept nowhere cannot fail to be stored.
func (c *clocks) note() {
	if c != nil {
		c.timeline.Note(c.clock.Read())
	}
}

// tell says in the record what became of the clocks since the run began.
func (c *clocks) tell(run *record.Run) {
	if c == nil || run.Clock == nil {
		return
	}
	c.note()
	last, _ := c.timeline.Last()
	run.Clock.Events = ClockEvents(c.timeline.Events(c.from, last.Instant()), run.Clock.SinceBoot)
}

// mostEvents is how many events of the clocks a record tells.
const mostEvents = 100

// ClockEvents gives events of the clocks as a record tells them of a run that
// began at start on the boot clock; of very many the first.
func ClockEvents(events []watch.Event, start time.Duration) (out []record.ClockEvent) {
	for _, e := range events {
		at := max(0, e.After.SinceBoot-start)
		if e.Slept != 0 {
			out = append(out, record.ClockEvent{Kind: record.ClockSuspend, At: at, By: e.Slept})
		}
		if e.Stepped != 0 {
			out = append(out, record.ClockEvent{Kind: record.ClockStep, At: at, By: e.Stepped})
		}
		if e.Restarted {
			out = append(out, record.ClockEvent{Kind: record.ClockBoot, At: at})
		}
	}
	return out[:min(len(out), mostEvents)]
}
