package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
)

// settle waits until the rig is as the workload wants to find it, or until its
// limit; then the repeat is made all the same, and its flags tell the rest.
func (r *repeats) settle(ctx context.Context) error {
	want := r.job.Workload.Settle
	if want == nil {
		return nil
	}
	sampler := probe.NewSampler(r.rig.Tree, probe.SampleOptions{SlowPace: time.Second})
	defer sampler.Close()
	start := time.Now()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		sampler.Take(time.Since(start))
		left := unsettled(sampler.Signals(), *want)
		if len(left) == 0 && time.Since(start) >= 2*time.Second { // load needs two readings
			return nil
		}
		if time.Since(start) > want.Limit {
			screen.Warn(r.stderr, "agent", fmt.Sprintf("not settled after %v: %s", want.Limit, strings.Join(left, ", ")))
			return nil
		}
		r.progress.Step(r.repeat() + "settling: " + strings.Join(left, ", "))
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-tick.C:
		}
	}
}

// unsettled lists what is still too warm or too busy.
func unsettled(signals []rig.Signal, want setup.Settle) (left []string) {
	seen := false
	for _, s := range signals {
		n := len(s.Values)
		if n == 0 {
			continue
		}
		last := s.At(n - 1)
		switch {
		case want.BelowCelsius != nil && s.Unit == rig.Celsius && s.Key.Family() == "temperature[]":
			seen = true
			if last >= *want.BelowCelsius {
				left = append(left, fmt.Sprintf("%s %.1f °C", s.Key.Index(), last))
			}
		case want.OtherLoadPercent != nil && s.Key == "load.other" && last >= *want.OtherLoadPercent:
			left = append(left, fmt.Sprintf("other work %.1f %%", last))
		}
	}
	if want.BelowCelsius != nil && !seen {
		left = append(left, "no temperature can be read")
	}
	return left
}
