package drift_test

import (
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

// An hour at 10 Hz on 64 processors.
func BenchmarkJudgeHour(b *testing.B) {
	signals := []rig.Signal{minute("load.total", 3600, flat(50)), minute("load.other", 3600, flat(0))}
	for i := range 64 {
		signals = append(signals, minute(rig.Of("cpu", fmt.Sprint(i), "clock"), 3600, flat(4000)), minute(rig.Of("cpu.policy", fmt.Sprint(i), "clock_limit"), 3600, flat(4200)))
	}
	in := drift.Input{Before: with(), Run: ran(with(), signals...)}
	in.Run.Elapsed = time.Hour
	for b.Loop() {
		drift.Judge(in)
	}
}
