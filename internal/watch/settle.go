package watch

import (
	"fmt"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Unsettled lists what is still too warm or too busy for a run to start, and what
// cannot be read, by the latest sample of each signal.
func Unsettled(signals []rig.Signal, want setup.Settle) (left, unread []string) {
	warm, load := false, false
	for _, s := range signals {
		n := len(s.Values)
		if n == 0 {
			continue
		}
		last := s.At(n - 1)
		switch {
		case want.BelowCelsius != nil && s.Unit == rig.Celsius && s.Key.Family() == "temperature[]":
			if warm = true; last >= *want.BelowCelsius {
				left = append(left, fmt.Sprintf("%s %.1f °C", s.Key.Index(), last))
			}
		case want.OtherLoadPercent != nil && s.Key == "load.other":
			if load = true; last >= *want.OtherLoadPercent {
				left = append(left, fmt.Sprintf("other work %.1f %%", last))
			}
		}
	}
	if want.BelowCelsius != nil && !warm {
		unread = append(unread, "no temperature can be read")
	}
	if want.OtherLoadPercent != nil && !load {
		unread = append(unread, "other work cannot be read")
	}
	return left, unread
}
