package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"witnessmark/internal/probe"
	"witnessmark/internal/screen"
	"witnessmark/internal/watch"
)

// settle waits until the rig is as the workload wants to find it, or until its
// limit. Then the repeat is made all the same, and what settle returns goes into
// its record. It does not wait on for what only cannot be read.
func (r *repeats) settle(ctx context.Context) (unsettled string, err error) {
	want := r.job.Workload.Settle
	if want == nil {
		return "", nil
	}
	sampler := probe.NewSampler(r.rig.Tree, probe.SampleOptions{SlowPace: time.Second})
	defer sampler.Close()
	start := time.Now()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		since := time.Since(start)
		sampler.Take(since)
		left, unread := watch.Unsettled(sampler.Signals(), *want)
		limit := max(want.Limit, twoReadings)
		if len(left) == 0 {
			limit = min(limit, firstReadings)
		}
		left = append(left, unread...)
		switch {
		case len(left) == 0 && since >= twoReadings:
			return "", nil
		case len(left) > 0 && since >= limit:
			unsettled = fmt.Sprintf("started unsettled after %v: %s", min(since.Round(time.Second), want.Limit), strings.Join(left, ", "))
			screen.Warn(r.stderr, "agent", r.repeat()+unsettled)
			return unsettled, nil
		}
		r.progress.Step(r.repeat() + "settling: " + strings.Join(left, ", "))
		select {
		case <-ctx.Done():
			return "", context.Cause(ctx)
		case <-tick.C:
		}
	}
}

// twoReadings is how long it takes until a load, which needs two, is known.
const twoReadings = 1100 * time.Millisecond

// firstReadings is how long a sensor may take until it is read at all.
const firstReadings = 3 * time.Second
