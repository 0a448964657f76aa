package answer

import (
	"crypto/sha256"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/stats"
	"witnessmark/internal/timing"
	pb "witnessmark/proto/witnessmark/v1"
)

// Summary is what a listing shows of a run.
type Summary struct {
	ID, Rig         string
	Workload        string
	WorkloadVersion string
	Setup           string // label; "" when none was declared
	Group           string
	Repeat          int
	Started         time.Time
	Clock           *record.Clock // nil when the agent did not know of it
	Elapsed         time.Duration // wall time of the workload
	Exit            record.Exit
	Judgement       drift.Judgement
	Results         []timing.Result
	Statistics      Statistics
	AgentCost       record.Cost
	RecordSHA256    [sha256.Size]byte
	Played          string
	// Configuration is the hash of rig.Snapshot.ConfigurationSHA256 before the run.
	Configuration [sha256.Size]byte
	// Retraction is nil when the run was never retracted. While one is in force,
	// the judgement's standing is void.
	Retraction *Retraction
}

// Statistics describes the frame times of a run. A number that its method
// refuses is NaN and stands in Refused with the reason; one that is weak stands
// in Flagged. The names are those of the JSON output.
type Statistics struct {
	Frames              int
	Elapsed             time.Duration
	RateMean            float64 // frames/s
	P50, P95, P99, P999 float64 // ms
	SlowestOnePctMean   float64 // ms
	Refused, Flagged    map[string]string
}

// NoStatistics refuses every number for one reason.
func NoStatistics(why string) Statistics {
	s := Statistics{Refused: map[string]string{}}
	for _, n := range s.numbers() {
		*n.value = math.NaN()
		s.Refused[n.name] = why
	}
	return s
}

// Describe gives the statistics of a run's frame times, by the definitions of
// package stats.
func Describe(nanos []int64) Statistics {
	r := stats.HeadlineOf(nanos, stats.DefaultOptions())
	s := Statistics{Frames: r.Frames, Elapsed: r.Elapsed, Refused: map[string]string{}, Flagged: map[string]string{}}
	from := []stats.Number{r.RateMean, r.P50, r.P95, r.P99, r.P999, r.SlowestOnePctMean}
	for i, n := range s.numbers() {
		v, ok := from[i].Get()
		switch {
		case !ok:
			v = math.NaN()
			s.Refused[n.name] = from[i].Reason
		case from[i].Reason != "":
			s.Flagged[n.name] = from[i].Reason
		}
		*n.value = v
	}
	return s
}

type named struct {
	name  string
	value *float64
}

func (s *Statistics) numbers() []named {
	return []named{
		{"rate_mean", &s.RateMean},
		{"frametime_ms.p50", &s.P50}, {"frametime_ms.p95", &s.P95}, {"frametime_ms.p99", &s.P99}, {"frametime_ms.p999", &s.P999},
		{"slowest_1pct_mean_ms", &s.SlowestOnePctMean},
	}
}

// Summarise makes the summary of a run from its parts.
func Summarise(r *record.Run, sum [sha256.Size]byte, st Statistics, j drift.Judgement) Summary {
	s := Summary{
		ID: r.ID, Rig: r.Rig, Workload: r.Workload.Name, WorkloadVersion: r.Workload.Version,
		Group: r.Group, Repeat: r.Repeat, Started: r.Started, Clock: r.Clock, Elapsed: r.Elapsed, Exit: r.Exit,
		Judgement: j, Results: r.Results, Statistics: st, AgentCost: r.AgentCost, RecordSHA256: sum, Played: r.Played,
		Configuration: r.Before.ConfigurationSHA256(),
	}
	if r.Setup != nil {
		s.Setup = r.Setup.Label
	}
	return s
}

// Marshal gives the bytes under which a summary is kept.
func (s Summary) Marshal() ([]byte, error) {
	b, err := proto.Marshal(s.proto())
	if err != nil {
		return nil, fmt.Errorf("encode summary of run %s: %w", s.ID, err)
	}
	return b, nil
}

// ParseSummary reads what Marshal gives.
func ParseSummary(b []byte) (Summary, error) {
	var m pb.RunSummary
	if err := proto.Unmarshal(b, &m); err != nil {
		return Summary{}, fmt.Errorf("decode summary: %w", err)
	}
	return summaryOf(&m)
}

func (s Summary) proto() *pb.RunSummary {
	return &pb.RunSummary{
		Id: s.ID, Rig: s.Rig, Workload: s.Workload, WorkloadVersion: s.WorkloadVersion, Setup: s.Setup,
		Group: s.Group, Repeat: uint32(s.Repeat), StartedUnixNano: s.Started.UnixNano(), ElapsedNano: int64(s.Elapsed),
		Exit: record.ExitProto(s.Exit), Judgement: record.JudgementProto(s.Judgement), Results: record.ResultsProto(s.Results),
		Statistics: s.Statistics.proto(), AgentCost: record.CostProto(s.AgentCost), RecordSha256: s.RecordSHA256[:], Played: s.Played,
		ConfigurationSha256: s.Configuration[:], Retraction: s.Retraction.proto(),
		Clock: record.ClockProto(s.Clock),
	}
}

func summaryOf(m *pb.RunSummary) (Summary, error) {
	j, err := record.JudgementOf(m.GetJudgement())
	if err == nil && len(m.GetRecordSha256()) != sha256.Size {
		err = fmt.Errorf("no SHA-256 of the record")
	}
	if err == nil && len(m.GetConfigurationSha256()) != sha256.Size {
		err = fmt.Errorf("no SHA-256 of the configuration")
	}
	if err != nil {
		return Summary{}, fmt.Errorf("decode summary of run %q: %w", m.GetId(), err)
	}
	return Summary{
		ID: m.GetId(), Rig: m.GetRig(), Workload: m.GetWorkload(), WorkloadVersion: m.GetWorkloadVersion(), Setup: m.GetSetup(),
		Group: m.GetGroup(), Repeat: int(m.GetRepeat()),
		Started: time.Unix(0, m.GetStartedUnixNano()).UTC(), Clock: record.ClockOf(m.GetClock()), Elapsed: time.Duration(m.GetElapsedNano()),
		Exit: record.ExitOf(m.GetExit()), Judgement: j, Results: record.ResultsOf(m.GetResults()),
		Statistics: statisticsOf(m.GetStatistics()), AgentCost: record.CostOf(m.GetAgentCost()),
		RecordSHA256: [sha256.Size]byte(m.GetRecordSha256()), Played: m.GetPlayed(),
		Configuration: [sha256.Size]byte(m.GetConfigurationSha256()), Retraction: retractionOf(m.GetRetraction()),
	}, nil
}

func (s Statistics) proto() *pb.Statistics {
	m := &pb.Statistics{Frames: uint64(s.Frames), ElapsedNano: int64(s.Elapsed), Refused: s.Refused, Flagged: s.Flagged}
	for i, to := range optionals(m) {
		if v := *s.numbers()[i].value; !math.IsNaN(v) {
			*to = &v
		}
	}
	return m
}

func statisticsOf(m *pb.Statistics) Statistics {
	if m == nil {
		m = &pb.Statistics{}
	}
	s := Statistics{Frames: int(m.GetFrames()), Elapsed: time.Duration(m.GetElapsedNano()), Refused: m.GetRefused(), Flagged: m.GetFlagged()}
	for i, from := range optionals(m) {
		*s.numbers()[i].value = math.NaN()
		if *from != nil {
			*s.numbers()[i].value = **from
		}
	}
	return s
}

// optionals lists the message's numbers in the order of Statistics.numbers.
func optionals(m *pb.Statistics) []**float64 {
	return []**float64{&m.RateMean, &m.P50Ms, &m.P95Ms, &m.P99Ms, &m.P999Ms, &m.Slowest_1PctMeanMs}
}
