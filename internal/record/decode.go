package record

import (
	"crypto/sha256"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"witnessmark/internal/rig"
	"witnessmark/internal/series"
	"witnessmark/internal/timing"
	pb "witnessmark/proto/witnessmark/v1"
)

// Decode reads a record's bytes. It fails on anything that is not a whole,
// well-formed record and never panics. What it allocates is bounded, whatever
// b claims. The result may share memory with b.
func Decode(b []byte) (*Run, error) { return decode(b, MaxSamples) }

func decode(b []byte, samples int) (*Run, error) {
	var m pb.Record
	left := maxElements
	err := count(b, m.ProtoReflect().Descriptor(), &left)
	if err == nil {
		err = proto.Unmarshal(b, &m)
	}
	if err != nil {
		return nil, fmt.Errorf("decode record: %w", err)
	}
	r, err := fromProto(&m, samples)
	if err == nil {
		err = r.Check()
	}
	if err != nil {
		return nil, fmt.Errorf("decode record: %w", err)
	}
	return r, nil
}

// maxElements bounds the elements of all lists in a record: an empty one is two
// bytes here and some hundred once it is decoded.
const maxElements = 1 << 20

// count takes the elements of all lists in the encoded message b off left.
func count(b []byte, d protoreflect.MessageDescriptor, left *int) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		size := protowire.ConsumeFieldValue(num, typ, b[n:])
		if size < 0 {
			return protowire.ParseError(size)
		}
		value := b[n : n+size]
		b = b[n+size:]
		f := d.Fields().ByNumber(num)
		if f == nil || typ != protowire.BytesType {
			continue
		}
		if f.Cardinality() == protoreflect.Repeated {
			if *left--; *left < 0 {
				return fmt.Errorf("its lists have more than %d elements", maxElements)
			}
		}
		if inner := f.Message(); inner != nil {
			v, _ := protowire.ConsumeBytes(value)
			if err := count(v, inner, left); err != nil {
				return err
			}
		}
	}
	return nil
}

func fromProto(m *pb.Record, samples int) (*Run, error) {
	w := m.GetWorkload()
	r := &Run{
		ID: m.GetId(), Rig: m.GetRig(), Group: m.GetGroup(),
		Repeat: int(m.GetRepeat()), Repeats: int(m.GetRepeats()),
		Workload: Workload{
			Name: w.GetName(), Version: w.GetVersion(), Command: w.GetCommand(),
			Settings: w.GetSettings(), Content: w.GetContent(), Source: w.GetSource(),
		},
		Started: unix(m.GetStartedUnixNano()), Elapsed: time.Duration(m.GetElapsedNano()),
		Exit:        ExitOf(m.GetExit()),
		WorkloadCPU: time.Duration(m.GetWorkloadCpuNano()),
		Before:      SnapshotOf(m.GetBefore()), After: SnapshotOf(m.GetAfter()),
		Results: ResultsOf(m.GetResults()), AgentCost: CostOf(m.GetAgentCost()),
		Played: m.GetPlayed(), AgentVersion: m.GetAgentVersion(), Remarks: m.GetRemarks(), Missing: m.GetMissingResults(),
	}
	r.Setup, r.Clock = SetupOf(m.GetSetup()), ClockOf(m.GetClock())
	if s := m.GetSpan(); s != nil {
		r.Span = &Span{From: boundOf(s.GetFrom()), To: boundOf(s.GetTo()), Name: s.GetName()}
	}
	left := samples
	for _, s := range m.GetSignals() {
		sig, err := signalOf(s, left)
		if err != nil {
			return nil, err
		}
		left -= len(sig.Values)
		r.Signals = append(r.Signals, sig)
	}
	for _, l := range m.GetLogs() {
		r.Logs = append(r.Logs, logOf(l))
	}
	for _, a := range m.GetAttachments() {
		if len(a.GetSha256()) != sha256.Size || a.GetSize() > math.MaxInt64 {
			return nil, fmt.Errorf("attachment %q: no SHA-256 or no possible size", a.GetName())
		}
		r.Attachments = append(r.Attachments, Attachment{
			Name: a.GetName(), Kind: a.GetKind(), Size: int64(a.GetSize()), SHA256: [sha256.Size]byte(a.GetSha256()),
		})
	}
	return r, nil
}

func boundOf(m *pb.Bound) Bound {
	return Bound{Wall: unix(m.GetWallUnixNano()), Boot: m.GetBootId(), SinceBoot: time.Duration(m.GetSinceBootNano()), How: m.GetHow(), Detail: m.GetDetail()}
}

// SetupOf is the inverse of SetupProto.
func SetupOf(m *pb.Setup) *Setup {
	if m == nil {
		return nil
	}
	return &Setup{Label: m.GetLabel(), Source: m.GetSource(), FileName: m.GetFileName()}
}

// ClockOf is the inverse of ClockProto.
func ClockOf(m *pb.Clock) *Clock {
	if m == nil {
		return nil
	}
	c := &Clock{
		BootClock: rig.BootClock{Boot: m.GetBootId(), SinceBoot: time.Duration(m.GetSinceBootNano()), Offset: OffsetOf(m.GetOffset())},
		Unread:    rig.Unread{Reason: rig.Reason(m.GetUnread()), Detail: m.GetDetail()},
	}
	for _, e := range m.GetEvents() {
		c.Events = append(c.Events, ClockEvent{Kind: e.GetKind(), At: time.Duration(e.GetAtNano()), By: time.Duration(e.GetByNano())})
	}
	return c
}

// OffsetOf is the inverse of OffsetProto.
func OffsetOf(m *pb.ClockOffset) *rig.ClockOffset {
	if m == nil {
		return nil
	}
	return &rig.ClockOffset{
		Ahead: time.Duration(m.GetAheadNano()), Uncertainty: time.Duration(m.GetUncertaintyNano()), Measured: unix(m.GetMeasuredUnixNano()),
	}
}

// ExitOf is the inverse of ExitProto.
func ExitOf(m *pb.Exit) Exit {
	return Exit{Outcome: m.GetOutcome(), Code: int(m.GetCode()), Detail: m.GetDetail()}
}

// CostOf is the inverse of CostProto.
func CostOf(m *pb.AgentCost) Cost {
	return Cost{CPU: time.Duration(m.GetCpuNano()), PeakRSS: m.GetPeakRssBytes()}
}

// ResultsOf is the inverse of ResultsProto.
func ResultsOf(ms []*pb.Result) []timing.Result {
	var out []timing.Result
	for _, m := range ms {
		out = append(out, timing.Result{Name: m.GetName(), Value: m.GetValue(), Unit: m.GetUnit(), Better: m.GetBetter()})
	}
	return out
}

// SnapshotOf is the inverse of SnapshotProto.
func SnapshotOf(m *pb.Snapshot) rig.Snapshot {
	s := rig.Snapshot{At: unix(m.GetAtUnixNano())}
	for _, f := range m.GetFacts() {
		s.Facts = append(s.Facts, factOf(f))
	}
	return s
}

func factOf(m *pb.Fact) rig.Fact {
	f := rig.Fact{
		Key: rig.Key(m.GetKey()), Unit: rig.Unit(m.GetUnit()), Source: m.GetSource(),
		Unread: rig.Unread{Reason: rig.Reason(m.GetUnread()), Detail: m.GetDetail()},
	}
	switch v := m.GetValue().(type) {
	case *pb.Fact_Text:
		f.Value = rig.TextOf(v.Text)
	case *pb.Fact_Number:
		f.Value = rig.NumberOf(v.Number)
	case *pb.Fact_Truth:
		f.Value = rig.TruthOf(v.Truth)
	}
	return f
}

func signalOf(m *pb.Signal, most int) (rig.Signal, error) {
	s := rig.Signal{
		Key: rig.Key(m.GetKey()), Unit: rig.Unit(m.GetUnit()), Exponent: int(m.GetExponent()), Source: m.GetSource(),
		Counter: m.GetCounter(), Unread: rig.Unread{Reason: rig.Reason(m.GetUnread()), Detail: m.GetDetail()},
	}
	if len(m.GetOffsets()) > 0 || len(m.GetSamples()) > 0 {
		offsets, err := series.DecodeMax(nil, m.GetOffsets(), most)
		if err != nil {
			return s, fmt.Errorf("signal %s: offsets: %w", s.Key, err)
		}
		if s.Values, err = series.DecodeMax(nil, m.GetSamples(), len(offsets)); err != nil {
			return s, fmt.Errorf("signal %s: samples: %w", s.Key, err)
		}
		if len(s.Values) != len(offsets) { // told before anything more is unfolded
			return s, fmt.Errorf("signal %s has %d offsets and %d samples", s.Key, len(offsets), len(s.Values))
		}
		s.Offsets = make([]time.Duration, len(offsets))
		for i, o := range offsets {
			s.Offsets[i] = time.Duration(o)
		}
	}
	for _, l := range m.GetLimits() {
		s.Limits = append(s.Limits, rig.Limit{Name: l.GetName(), Value: l.GetValue()})
	}
	for _, g := range m.GetGaps() {
		s.Gaps = append(s.Gaps, rig.Gap{
			From: time.Duration(g.GetFromNano()), To: time.Duration(g.GetToNano()),
			Unread: rig.Unread{Reason: rig.Reason(g.GetUnread()), Detail: g.GetDetail()},
		})
	}
	return s, nil
}

func logOf(m *pb.Log) Log {
	y := m.GetLayout()
	l := Log{
		Attachment: m.GetAttachment(), Rows: int(m.GetRows()), Refused: m.GetRefused(), Detail: m.GetRefusedDetail(),
		Spec: timing.Spec{
			Column: y.GetColumn(), Kind: timing.Kind(y.GetKind()), Unit: timing.Unit(y.GetUnit()),
			Separator: y.GetSeparator(), Decimal: y.GetDecimal(), Header: y.GetHeader(), Comment: y.GetComment(),
			Stamp: y.GetStamp(), StampUnit: timing.Unit(y.GetStampUnit()),
		},
	}
	for _, k := range m.GetMarks() {
		l.Marks = append(l.Marks, LogMark{Code: k.GetCode(), Line: int(k.GetLine()), Detail: k.GetDetail()})
	}
	return l
}
