package answer

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/rig"
	"witnessmark/internal/stats"
)

// Outcome gives a run's figure by name, as the summary has it: rate_mean,
// frametime_ms.p99 and its like, or result.NAME. "" is the average rate, else the
// first result.
func (s Summary) Outcome(name string) compare.Outcome {
	for _, n := range s.Statistics.numbers() {
		if n.name != name && (name != "" || n.name != "rate_mean") {
			continue
		}
		o := compare.Outcome{Name: n.name, Value: *n.value, Unit: "ms", Better: stats.LowerBetter, Why: s.Statistics.Refused[n.name]}
		if n.name == "rate_mean" {
			o.Unit, o.Better = "frames/s", stats.HigherBetter
		}
		if name != "" || !math.IsNaN(o.Value) || len(s.Results) == 0 {
			return o
		}
	}
	for _, r := range s.Results {
		if name != "" && name != "result."+r.Name {
			continue
		}
		o := compare.Outcome{Name: "result." + r.Name, Unit: r.Unit, Better: stats.Direction(r.Better)}
		var err error
		if o.Value, err = strconv.ParseFloat(r.Value, 64); err != nil {
			o.Value, o.Why = math.NaN(), strconv.Quote(r.Value)+" is no number"
		}
		return o
	}
	return compare.Outcome{Name: name, Value: math.NaN(), Why: "the run has no such figure"}
}

// HasOutcome says whether a summary can hold a figure of that name.
func HasOutcome(name string) bool {
	var s Statistics
	return strings.HasPrefix(name, "result.") && name != "result." ||
		slices.ContainsFunc(s.numbers(), func(n named) bool { return n.name == name })
}

// OutcomeNames lists the figures of a timing log that a summary holds.
func OutcomeNames() (out []string) {
	var s Statistics
	for _, n := range s.numbers() {
		out = append(out, n.name)
	}
	return out
}

// Events fetches the chosen runs as a series needs them, oldest first: the outcome
// of each with its clock and heat, without logs and samples. Runs of one boot
// under one configuration share the snapshot of the first of them.
func Events(ctx context.Context, b Book, s Selection, o LoadOptions, statistic string) (events []compare.Event, left map[string][]string, err error) {
	type state struct {
		configuration [32]byte
		boot          string
	}
	shared := map[state]rig.Snapshot{}
	o.NeedSignals, o.NeedLogs = true, false
	left, err = Visit(ctx, b, s, o, func(m Summary, r compare.Run) error {
		e := compare.Event{Outcome: m.Outcome(statistic), Clock: r.MeanClock(), Thermal: r.Thermal()}
		boot, _ := r.Before.Text("kernel.boot_id")
		at := state{r.Configuration, boot}
		if _, ok := shared[at]; !ok {
			shared[at] = r.Before
		}
		r.Before, r.Signals = shared[at], nil
		if len(r.After.Facts) > 0 && r.After.ConfigurationSHA256() == r.Configuration {
			r.After = rig.Snapshot{}
		}
		e.Run = r
		events = append(events, e)
		return nil
	})
	slices.Reverse(events)
	return events, left, err
}
