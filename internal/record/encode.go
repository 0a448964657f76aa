package record

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"witnessmark/internal/rig"
	"witnessmark/internal/series"
	"witnessmark/internal/timing"
	pb "witnessmark/proto/witnessmark/v1"
)

// Encode gives the record's bytes, which Decode takes. It is called on the rig;
// once the bytes were offered to a collector they are never made again. A text
// that is not UTF-8, as firmware and arguments may be, does not cost the run:
// what cannot be said stands as U+FFFD, and a remark says so.
func Encode(r *Run) ([]byte, error) {
	if err := r.Check(); err != nil {
		return nil, fmt.Errorf("encode record: %w", err)
	}
	m := toProto(r)
	if !valid(m.ProtoReflect()) {
		m = proto.CloneOf(m)
		repair(m.ProtoReflect())
		m.Remarks = append(m.Remarks, "some texts held bytes that are not UTF-8; U+FFFD stands for each stretch of them")
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("encode record: %s: %w", r.ID, err)
	}
	return b, nil
}

func toProto(r *Run) *pb.Record {
	m := &pb.Record{
		Id: r.ID, Rig: r.Rig, Group: r.Group,
		Repeat: uint32(r.Repeat), Repeats: uint32(r.Repeats),
		Workload: &pb.Workload{
			Name: r.Workload.Name, Version: r.Workload.Version, Command: r.Workload.Command,
			Settings: r.Workload.Settings, Content: r.Workload.Content, Source: r.Workload.Source,
		},
		StartedUnixNano: r.Started.UnixNano(), ElapsedNano: int64(r.Elapsed),
		Exit:            ExitProto(r.Exit),
		WorkloadCpuNano: int64(r.WorkloadCPU),
		Before:          SnapshotProto(r.Before), After: SnapshotProto(r.After),
		Results:   ResultsProto(r.Results),
		AgentCost: CostProto(r.AgentCost),
		Played:    r.Played, AgentVersion: r.AgentVersion, Remarks: r.Remarks, MissingResults: r.Missing,
	}
	m.Setup, m.Clock = SetupProto(r.Setup), ClockProto(r.Clock)
	if s := r.Span; s != nil {
		m.Span = &pb.Span{From: boundProto(s.From), To: boundProto(s.To), Name: s.Name}
	}
	for _, s := range r.Signals {
		m.Signals = append(m.Signals, signalProto(s))
	}
	for _, l := range r.Logs {
		m.Logs = append(m.Logs, logProto(l))
	}
	for _, a := range r.Attachments {
		m.Attachments = append(m.Attachments, &pb.Attachment{Name: a.Name, Kind: a.Kind, Size: uint64(a.Size), Sha256: a.SHA256[:]})
	}
	return m
}

func boundProto(b Bound) *pb.Bound {
	return &pb.Bound{WallUnixNano: b.Wall.UnixNano(), BootId: b.Boot, SinceBootNano: int64(b.SinceBoot), How: b.How, Detail: b.Detail}
}

// SetupProto converts for records and beats; nil stays nil.
func SetupProto(s *Setup) *pb.Setup {
	if s == nil {
		return nil
	}
	return &pb.Setup{Label: s.Label, Source: s.Source, FileName: s.FileName}
}

// ClockProto converts for records and summaries; nil stays nil.
func ClockProto(c *Clock) *pb.Clock {
	if c == nil {
		return nil
	}
	m := &pb.Clock{BootId: c.Boot, SinceBootNano: int64(c.SinceBoot), Offset: OffsetProto(c.Offset), Unread: string(c.Unread.Reason), Detail: c.Unread.Detail}
	for _, e := range c.Events {
		m.Events = append(m.Events, &pb.ClockEvent{Kind: e.Kind, AtNano: int64(e.At), ByNano: int64(e.By)})
	}
	return m
}

// OffsetProto converts for records, beats and listings; nil stays nil.
func OffsetProto(o *rig.ClockOffset) *pb.ClockOffset {
	if o == nil {
		return nil
	}
	m := &pb.ClockOffset{AheadNano: int64(o.Ahead), UncertaintyNano: int64(o.Uncertainty)}
	if !o.Measured.IsZero() {
		m.MeasuredUnixNano = o.Measured.UnixNano()
	}
	return m
}

// ExitProto converts for records and summaries.
func ExitProto(e Exit) *pb.Exit {
	return &pb.Exit{Outcome: e.Outcome, Code: int32(e.Code), Detail: e.Detail}
}

// CostProto converts for records and summaries.
func CostProto(c Cost) *pb.AgentCost {
	return &pb.AgentCost{CpuNano: int64(c.CPU), PeakRssBytes: c.PeakRSS}
}

// ResultsProto converts for records and summaries.
func ResultsProto(rs []timing.Result) []*pb.Result {
	var out []*pb.Result
	for _, r := range rs {
		out = append(out, &pb.Result{Name: r.Name, Value: r.Value, Unit: r.Unit, Better: r.Better})
	}
	return out
}

// SnapshotProto converts for records and marks.
func SnapshotProto(s rig.Snapshot) *pb.Snapshot {
	m := &pb.Snapshot{Facts: make([]*pb.Fact, len(s.Facts))}
	if !s.At.IsZero() {
		m.AtUnixNano = s.At.UnixNano()
	}
	for i, f := range s.Facts {
		m.Facts[i] = factProto(f)
	}
	return m
}

func factProto(f rig.Fact) *pb.Fact {
	m := &pb.Fact{Key: string(f.Key), Unit: string(f.Unit), Source: f.Source, Unread: string(f.Unread.Reason), Detail: f.Unread.Detail}
	switch f.Value.Kind() {
	case rig.Text:
		s, _ := f.Value.Text()
		m.Value = &pb.Fact_Text{Text: s}
	case rig.Number:
		n, _ := f.Value.Number()
		m.Value = &pb.Fact_Number{Number: n}
	case rig.Truth:
		b, _ := f.Value.Truth()
		m.Value = &pb.Fact_Truth{Truth: b}
	}
	return m
}

func signalProto(s rig.Signal) *pb.Signal {
	m := &pb.Signal{
		Key: string(s.Key), Unit: string(s.Unit), Exponent: int32(s.Exponent), Source: s.Source,
		Counter: s.Counter, Unread: string(s.Unread.Reason), Detail: s.Unread.Detail,
	}
	if len(s.Offsets) > 0 {
		offsets := make([]int64, len(s.Offsets))
		for i, d := range s.Offsets {
			offsets[i] = int64(d)
		}
		m.Offsets = series.Encode(nil, offsets)
		m.Samples = series.Encode(nil, s.Values)
	}
	for _, l := range s.Limits {
		m.Limits = append(m.Limits, &pb.Limit{Name: l.Name, Value: l.Value})
	}
	for _, g := range s.Gaps {
		m.Gaps = append(m.Gaps, &pb.Gap{FromNano: int64(g.From), ToNano: int64(g.To), Unread: string(g.Reason), Detail: g.Detail})
	}
	return m
}

func logProto(l Log) *pb.Log {
	m := &pb.Log{
		Attachment: l.Attachment, Rows: uint64(l.Rows), Refused: l.Refused, RefusedDetail: l.Detail,
		Layout: &pb.Layout{
			Column: l.Spec.Column, Kind: string(l.Spec.Kind), Unit: string(l.Spec.Unit),
			Separator: l.Spec.Separator, Decimal: l.Spec.Decimal, Header: l.Spec.Header, Comment: l.Spec.Comment,
			Stamp: l.Spec.Stamp, StampUnit: string(l.Spec.StampUnit),
		},
	}
	for _, k := range l.Marks {
		m.Marks = append(m.Marks, &pb.LogMark{Code: k.Code, Line: uint64(k.Line), Detail: k.Detail})
	}
	return m
}

// unix gives the UTC time of nanoseconds since 1970; 0 is the zero time.
func unix(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}
