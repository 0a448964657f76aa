package capture

import (
	"fmt"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// limit is what a record may hold and weigh to be taken by a collector.
type limit struct {
	samples int
	bytes   int
}

var limits = limit{samples: record.MaxSamples, bytes: 60 << 20}

// encode gives the record's bytes. Signals of a run so long that no collector
// would take it are thinned, and a part that cannot be encoded is left out: the
// run says so and is not lost.
func encode(run *record.Run, l limit) ([]byte, error) {
	raw, err := thinned(run, l)
	for _, part := range []struct {
		name string
		drop func()
	}{
		{"the printed results", func() { run.Results = nil }},
		{"the signals", func() { run.Signals = nil }},
		{"the facts after the run", func() { run.After = rig.Snapshot{} }},
	} {
		if err == nil {
			break
		}
		part.drop()
		run.Remarks = append(run.Remarks, fmt.Sprintf("%s are left out: %v", part.name, err))
		raw, err = thinned(run, l)
	}
	return raw, err
}

func thinned(run *record.Run, l limit) ([]byte, error) {
	for every := 1; ; every *= 2 {
		if every > 1 {
			run.Signals = halved(run.Signals)
		}
		most := 0
		sum := 0
		for _, s := range run.Signals {
			sum, most = sum+len(s.Values), max(most, len(s.Values))
		}
		if sum > l.samples && most > 1 {
			continue
		}
		told := *run
		if every > 1 {
			told.Remarks = append(run.Remarks[:len(run.Remarks):len(run.Remarks)], fmt.Sprintf("the signals are thinned to one sample of %d", every))
		}
		raw, err := record.Encode(&told)
		if err != nil || len(raw) <= l.bytes || most <= 1 {
			run.Remarks = told.Remarks
			return raw, err
		}
	}
}

// halved keeps every second sample of each signal, the first among them.
func halved(signals []rig.Signal) []rig.Signal {
	out := make([]rig.Signal, len(signals))
	for i, s := range signals {
		offsets, values := s.Offsets, s.Values
		s.Offsets, s.Values = make([]time.Duration, 0, len(offsets)/2+1), make([]int64, 0, len(values)/2+1)
		for k := 0; k < len(values); k += 2 {
			s.Offsets, s.Values = append(s.Offsets, offsets[k]), append(s.Values, values[k])
		}
		out[i] = s
	}
	return out
}
