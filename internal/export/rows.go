package export

import (
	"encoding/hex"
	"math"
	"strconv"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// RunRow is one run.
type RunRow struct {
	Run               string    `parquet:"run" doc:"the run's id"`
	TrailIndex        int64     `parquet:"trail_index" doc:"its entry in the collector's trail"`
	Rig               string    `parquet:"rig,dict" doc:"the rig's name"`
	Workload          string    `parquet:"workload,dict" doc:"the workload's name"`
	WorkloadVersion   string    `parquet:"workload_version,dict" doc:"version of its content"`
	Setup             string    `parquet:"setup,dict" doc:"label of the declared setup; empty when none was declared"`
	Group             string    `parquet:"group,dict" doc:"the first run's id of runs started together"`
	Repeat            int32     `parquet:"repeat" doc:"place among them, from 1"`
	Started           time.Time `parquet:"started,timestamp(microsecond)" unit:"UTC" doc:"by the rig's wall clock"`
	ElapsedSeconds    float64   `parquet:"elapsed_seconds" unit:"s" doc:"wall time of the workload by the monotonic clock"`
	Exit              int32     `parquet:"exit" doc:"exit code; 128 plus a signal's number; -1 never started"`
	Outcome           string    `parquet:"outcome,dict" doc:"finished, failed, killed, interrupted, timed_out, not_started, taken"`
	Standing          string    `parquet:"standing,dict" doc:"clean, caution or void"`
	Retracted         *string   `parquet:"retracted,optional,dict" doc:"why it is retracted; it is void then, whatever it was judged"`
	Played            *string   `parquet:"played,optional,dict" doc:"how it came about, when it was not measured live"`
	Frames            int64     `parquet:"frames" doc:"frames of the timing log; 0 without one"`
	TimedSeconds      float64   `parquet:"timed_seconds" unit:"s" doc:"sum of the frame times"`
	RatePerSecond     *float64  `parquet:"rate_per_second,optional" unit:"1/s" doc:"frames over the sum of the frame times"`
	P50               *float64  `parquet:"p50_ms,optional" unit:"ms" doc:"median frame time, Hyndman-Fan type 7 as all percentiles here"`
	P95               *float64  `parquet:"p95_ms,optional" unit:"ms" doc:"95th percentile of frame time"`
	P99               *float64  `parquet:"p99_ms,optional" unit:"ms" doc:"99th percentile of frame time"`
	P999              *float64  `parquet:"p999_ms,optional" unit:"ms" doc:"99.9th percentile of frame time"`
	SlowestOnePctMean *float64  `parquet:"slowest_1pct_mean_ms,optional" unit:"ms" doc:"mean time of the slowest hundredth of the frames"`
	AgentCPUSeconds   float64   `parquet:"agent_cpu_seconds" unit:"s" doc:"processor time of the agent over the run"`
	AgentPeakRSS      int64     `parquet:"agent_peak_rss_bytes" unit:"B" doc:"peak memory of the agent"`
	RecordSHA256      string    `parquet:"record_sha256" doc:"of the record's bytes, in hexadecimal"`
	ConfigSHA256      string    `parquet:"configuration_sha256,dict" doc:"the same for runs under one configuration"`
}

// FactRow is one fact of one snapshot.
type FactRow struct {
	Run    string   `parquet:"run,dict" doc:"the run's id"`
	When   string   `parquet:"when,dict" doc:"before or after the run"`
	Key    string   `parquet:"key,dict" doc:"the fact, such as memory.module[DIMM_A1].speed"`
	Family string   `parquet:"family,dict" doc:"the key without its index, as the catalogue has it"`
	Index  *string  `parquet:"index,optional,dict" doc:"the part the fact is of"`
	Text   *string  `parquet:"text,optional,dict" doc:"the value, when it is a text"`
	Number *float64 `parquet:"number,optional" doc:"the value in its unit, when it is a number"`
	Truth  *bool    `parquet:"truth,optional" doc:"the value, when it is yes or no"`
	Unit   *string  `parquet:"unit,optional,dict" doc:"of the number"`
	Unread *string  `parquet:"unread,optional,dict" doc:"why there is no value: absent, denied, refused, unknown, implausible"`
	Detail *string  `parquet:"detail,optional,dict" doc:"the reason in words"`
	Source string   `parquet:"source,dict" doc:"where it was or would have been read"`
}

// ResultRow is one figure a workload printed.
type ResultRow struct {
	Run     string   `parquet:"run,dict" doc:"the run's id"`
	Name    string   `parquet:"name,dict" doc:"the result's name"`
	Value   *float64 `parquet:"value,optional" doc:"in its unit"`
	Decimal string   `parquet:"decimal" doc:"the digits as they were printed"`
	Unit    string   `parquet:"unit,dict" doc:"as the workload file says"`
	Better  string   `parquet:"better,dict" doc:"higher or lower"`
}

// FlagRow is one finding about a run.
type FlagRow struct {
	Run          string  `parquet:"run,dict" doc:"the run's id"`
	Kind         string  `parquet:"kind,dict" doc:"undeclared, underrated, moved, unsteady, unlike, unread"`
	Fact         string  `parquet:"fact,dict" doc:"the fact's key"`
	Expected     string  `parquet:"expected" doc:"as a table prints it, without the unit"`
	Seen         string  `parquet:"seen" doc:"as a table prints it, without the unit"`
	Unit         *string `parquet:"unit,optional,dict" doc:"of both, when they are numbers"`
	Weight       string  `parquet:"weight,dict" doc:"note, caution or void"`
	WeightBefore *string `parquet:"weight_before,optional,dict" doc:"the catalogue's weight, when a setup changed it"`
	Evidence     string  `parquet:"evidence" doc:"source and raw reading"`
}

// SeriesRow is one frame of a run's timing log.
type SeriesRow struct {
	Run         string `parquet:"run,dict" doc:"the run's id"`
	Frame       int64  `parquet:"frame,delta" doc:"from 0"`
	Nanoseconds int64  `parquet:"nanoseconds,delta" unit:"ns" doc:"the frame's time, exact"`
}

// SignalRow is one sample of one signal.
type SignalRow struct {
	Run    string  `parquet:"run,dict" doc:"the run's id"`
	Key    string  `parquet:"key,dict" doc:"the signal, such as temperature[coretemp/coretemp.0 Package id 0]"`
	Unit   string  `parquet:"unit,dict" doc:"of the value"`
	Offset int64   `parquet:"offset_ns,delta" unit:"ns" doc:"from the run's start by the monotonic clock"`
	Value  float64 `parquet:"value" doc:"in its unit; counters only count up"`
}

// Kept is one run with all that its rows are made of.
type Kept struct {
	Index     int64 // in the trail
	Summary   answer.Summary
	Record    *record.Run
	Durations []int64 // of its timing log; nil without one
}

// Rows are the rows of one run, table by table.
type Rows struct {
	Runs    []RunRow
	Facts   []FactRow
	Results []ResultRow
	Flags   []FlagRow
	Series  []SeriesRow
	Signals []SignalRow
}

// Of makes the rows of a run.
func Of(k Kept) Rows {
	r := Rows{Runs: []RunRow{runRow(k)}}
	for _, s := range []struct {
		when  string
		facts []rig.Fact
	}{{"before", k.Record.Before.Facts}, {"after", k.Record.After.Facts}} {
		for _, f := range s.facts {
			r.Facts = append(r.Facts, factRow(k.Summary.ID, s.when, f))
		}
	}
	for _, x := range k.Summary.Results {
		row := ResultRow{Run: k.Summary.ID, Name: x.Name, Decimal: x.Value, Unit: x.Unit, Better: x.Better}
		if v, err := strconv.ParseFloat(x.Value, 64); err == nil {
			row.Value = &v
		}
		r.Results = append(r.Results, row)
	}
	for _, f := range k.Summary.Judgement.Flags {
		r.Flags = append(r.Flags, flagRow(k.Summary.ID, f))
	}
	for i, d := range k.Durations {
		r.Series = append(r.Series, SeriesRow{k.Summary.ID, int64(i), d})
	}
	for _, s := range k.Record.Signals {
		for i, o := range s.Offsets {
			r.Signals = append(r.Signals, SignalRow{k.Summary.ID, string(s.Key), string(s.Unit), int64(o), s.At(i)})
		}
	}
	return r
}

func runRow(k Kept) RunRow {
	s, st := k.Summary, k.Summary.Statistics
	var retracted *string
	if r := s.Retraction.InForce(); r != nil {
		retracted = &r.Why
	}
	return RunRow{
		Run: s.ID, TrailIndex: k.Index, Rig: s.Rig, Workload: s.Workload, WorkloadVersion: s.WorkloadVersion, Setup: s.Setup,
		Group: s.Group, Repeat: int32(s.Repeat), Started: s.Started.UTC().Truncate(time.Microsecond), ElapsedSeconds: s.Elapsed.Seconds(),
		Exit: int32(s.Exit.Code), Outcome: s.Exit.Outcome, Standing: string(s.Judgement.Standing), Retracted: retracted, Played: text(s.Played),
		Frames: int64(st.Frames), TimedSeconds: st.Elapsed.Seconds(), RatePerSecond: number(st.RateMean),
		P50: number(st.P50), P95: number(st.P95), P99: number(st.P99), P999: number(st.P999), SlowestOnePctMean: number(st.SlowestOnePctMean),
		AgentCPUSeconds: s.AgentCost.CPU.Seconds(), AgentPeakRSS: s.AgentCost.PeakRSS,
		RecordSHA256: hex.EncodeToString(s.RecordSHA256[:]), ConfigSHA256: hex.EncodeToString(s.Configuration[:]),
	}
}

func factRow(run, when string, f rig.Fact) FactRow {
	row := FactRow{
		Run: run, When: when, Key: string(f.Key), Family: string(f.Key.Family()), Index: text(f.Key.Index()),
		Unit: text(string(f.Unit)), Unread: text(string(f.Unread.Reason)), Detail: text(f.Unread.Detail), Source: f.Source,
	}
	switch f.Value.Kind() {
	case rig.Text:
		s, _ := f.Value.Text()
		row.Text = &s
	case rig.Number:
		n, _ := f.Value.Number()
		row.Number = &n
	case rig.Truth:
		b, _ := f.Value.Truth()
		row.Truth = &b
	}
	return row
}

func flagRow(run string, f drift.Flag) FlagRow {
	row := FlagRow{
		Run: run, Kind: string(f.Kind), Fact: string(f.Fact), Expected: f.Expected.String(), Seen: f.Seen.String(),
		Unit: text(string(f.Unit)), Weight: f.Weight.String(), Evidence: f.Evidence,
	}
	if f.WeightBefore != 0 {
		row.WeightBefore = text(f.WeightBefore.String())
	}
	return row
}

func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func number(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}
