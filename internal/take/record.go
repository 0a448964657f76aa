package take

import (
	"slices"

	"witnessmark/internal/capture"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/watch"
)

// record puts together what is known of the log's run.
func (t *Taker) record(rule *Logs, x *taking, data []byte) (*record.Run, [][]byte, error) {
	from := watch.Instant{Boot: x.Span.From.Boot, At: x.Span.From.SinceBoot}
	to := watch.Instant{Boot: x.Span.To.Boot, At: x.Span.To.SinceBoot}
	run := &record.Run{
		ID: x.ID, Rig: t.o.Rig.Name, Started: x.Span.From.Wall, Elapsed: lengthOf(x.Span), Span: &x.Span,
		Exit: record.Exit{Outcome: record.Taken}, Played: t.o.Rig.Played, AgentVersion: t.o.Rig.Version,
	}
	run.Clock = t.clock(x.Span, from, to)
	remarks := slices.Clone(x.Remarks)
	cut, err := t.signals(from, to)
	if err != nil {
		remarks = append(remarks, "the signals could not be read: "+err.Error())
	}
	remarks = append(remarks, cut.Remarks...)
	run.Signals, run.AgentCost = cut.Signals, record.Cost{CPU: cut.Cost.CPU, PeakRSS: cut.Cost.PeakRSS}
	t.look(to)
	if run.Before, run.After, err = t.o.States.Around(from, to); err != nil {
		remarks = append(remarks, "the states of the machine could not be read: "+err.Error())
	}
	job := capture.Job{Workload: workloadFor(rule, x.Path), Setup: rule.Setup, Repeat: 1, Repeats: 1, Remarks: remarks}
	parts, _, err := capture.Assemble(run, job, data)
	if err != nil {
		return nil, nil, refused(x.Path, err)
	}
	if x.Earlier != "" {
		run.Logs[0].Marks = append(run.Logs[0].Marks, record.LogMark{Code: "earlier_rows", Detail: x.Earlier})
	}
	return run, parts, nil
}

// clock says how the clocks stood at a span; nil of one that is not on the boot
// clock.
func (t *Taker) clock(s record.Span, from, to watch.Instant) *record.Clock {
	if from.Boot == "" {
		return nil
	}
	c := &record.Clock{BootClock: rig.BootClock{Boot: from.Boot, SinceBoot: from.At}}
	if t.o.Offset != nil {
		c.Offset = t.o.Offset(s.From.Wall, from)
	}
	if c.Offset == nil {
		c.Unread = rig.Unread{Reason: rig.Absent, Detail: "no beat told this agent the collector's time in that boot of the machine"}
	}
	c.Events = capture.ClockEvents(t.o.Timeline.Events(from, to), from.At)
	return c
}

// signals cuts the span's out of the ring. Whose the load was is not known: the
// workload was not the agent's to follow.
func (t *Taker) signals(from, to watch.Instant) (watch.Cut, error) {
	cut, err := t.cut(from, to)
	for i, s := range cut.Signals {
		if s.Key == "load.other" || s.Key == "load.workload" {
			cut.Signals[i] = rig.Signal{Key: s.Key, Unit: s.Unit, Exponent: s.Exponent, Source: s.Source,
				Unread: rig.Unread{Reason: rig.Unknown, Detail: "the agent did not start the workload, and cannot tell its load from that of others"}}
		}
	}
	return cut, err
}

// cut gives, of a span that is not on the boot clock, all signals unread.
func (t *Taker) cut(from, to watch.Instant) (watch.Cut, error) {
	if from.Boot != "" && to.Boot != "" {
		return t.o.Signals.Cut(from, to)
	}
	cut, err := t.o.Signals.Cut(watch.Instant{Boot: "?"}, watch.Instant{Boot: "??"})
	for i, s := range cut.Signals {
		if s.Unread.Detail != "" {
			cut.Signals[i].Unread = rig.Unread{Reason: rig.Absent, Detail: "when the log's run took place is not known by the boot clock, and signals are kept by it"}
		}
	}
	return cut, err
}

// look reads the machine now where no state from after the instant is stored.
func (t *Taker) look(to watch.Instant) {
	if t.o.Look == nil || to.Boot == "" {
		return
	}
	r := t.o.Clock.Read()
	if last := t.o.States.Last(); r.Boot != to.Boot || last.Boot == to.Boot && last.SinceBoot >= to.At {
		return // too late, or there is one
	}
	t.mu.Lock()
	ctx := t.ctx
	t.mu.Unlock()
	now := t.o.Look(ctx)
	if err := t.o.States.Note(r, now); err != nil {
		t.o.Log.Warn(err.Error(), "hint", fault.HintOf(err))
	}
}
