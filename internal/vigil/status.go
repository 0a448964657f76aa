package vigil

import "witnessmark/internal/local"

// Status says what the vigil does now.
func (v *Vigil) Status() local.Status {
	now := v.o.Clock.Read()
	v.mu.Lock()
	plan, beats := v.plan, v.beats
	v.mu.Unlock()
	s := local.Status{
		Rig: v.o.Rig, Version: v.o.Version, Played: v.o.Played, Collector: plan.Collector, Up: now.SinceBoot - v.started.SinceBoot,
		Sampled: -1, FactsAge: -1, BeatAge: -1, Waiting: v.waiting(), Troubles: v.troubles.list(),
		Delivered: v.count.delivered.Load(), BeatsAnswered: v.count.answered.Load(), BeatsUnanswered: v.count.unanswered.Load(),
	}
	if v.o.Spans != nil {
		s.Spans = v.o.Spans.Open()
	}
	if plan.Setup != nil {
		s.Setup = plan.Setup.Label
	}
	pace, last, ok := v.pump.Pace()
	if s.Pace = pace; ok && last.SinceBoot > 0 {
		s.Sampled = now.SinceBoot - last.SinceBoot
	}
	if facts, at, ok := v.facts.latest(); ok {
		s.Facts, s.FactsAge = len(facts.Facts), now.SinceBoot-at.SinceBoot
		for _, f := range facts.Facts {
			if !f.Read() {
				s.Unread++
			}
		}
	}
	if reply, at, ok := beats.answered(); ok {
		s.Judgement, s.BeatAge = reply.Judgement, v.o.Now().Sub(at)
	}
	return s
}
