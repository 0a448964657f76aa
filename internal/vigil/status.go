package vigil

import (
	"fmt"

	"witnessmark/internal/deliver"
	"witnessmark/internal/local"
)

// Status says what the vigil does now.
func (v *Vigil) Status() local.Status {
	now := v.o.Clock.Read()
	v.mu.Lock()
	plan, beats := v.plan, v.beats
	v.mu.Unlock()
	s := local.Status{
		Rig: plan.Name, Version: v.o.Version, Played: v.o.Played, Collector: plan.Collector, Up: now.SinceBoot - v.started.SinceBoot,
		Sampled: -1, FactsAge: -1, BeatAge: -1, Waiting: v.waiting(), Troubles: v.present(),
		Spans: v.spans.Open(), Taken: v.count.taken.Load(), Delivered: v.count.delivered.Load(), BeatsAnswered: v.count.answered.Load(), BeatsUnanswered: v.count.unanswered.Load(),
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

// mostTroubles is what a beat takes.
const mostTroubles = 16

// present lists the troubles there are, those with single logs among them; of too
// many the last line says how many more there are.
func (v *Vigil) present() []deliver.Trouble {
	v.mu.Lock()
	taker := v.taker
	v.mu.Unlock()
	all := v.troubles.list()
	if taker != nil {
		for _, x := range taker.Status().Troubles {
			all = append(all, deliver.Trouble{What: oneLine(x.Why.Error()), Since: x.Since})
		}
	}
	if more := len(all) - mostTroubles + 1; more > 1 {
		all = append(all[:mostTroubles-1], deliver.Trouble{What: fmt.Sprintf("%d more; see them with: agent now, or in the agent's log", more), Since: all[mostTroubles-1].Since})
	}
	return all
}
