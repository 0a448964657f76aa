package deliver

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	pb "witnessmark/proto/witnessmark/v1"
)

func (b *Beat) proto() *pb.BeatRequest {
	m := &pb.BeatRequest{
		Rig: b.Rig, BootId: b.Boot, SinceBootNano: int64(b.SinceBoot), WallUnixNano: nanos(b.Wall),
		Sequence: b.Sequence, EveryNano: int64(b.Every), FactsSha256: b.SHA256[:],
		Setup: record.SetupProto(b.Setup), AgentVersion: clean(b.Agent), Played: clean(b.Played),
		Offset: record.OffsetProto(b.Offset), Answers: b.Answers,
	}
	facts := record.SnapshotProto(b.Facts)
	if b.Whole() {
		m.Facts = &pb.BeatRequest_Whole{Whole: facts}
	} else {
		c := &pb.FactChanges{AtUnixNano: facts.GetAtUnixNano(), BaseSha256: b.Base[:], Facts: facts.GetFacts()}
		for _, k := range b.Gone {
			c.Gone = append(c.Gone, string(k))
		}
		m.Facts = &pb.BeatRequest_Changes{Changes: c}
	}
	m.Waiting, m.Troubles = WaitingProto(b.Waiting), TroublesProto(b.Troubles)
	return m
}

// WaitingProto converts for beats and listings.
func WaitingProto(w Waiting) *pb.Waiting {
	if w == (Waiting{}) {
		return nil
	}
	return &pb.Waiting{Runs: uint32(w.Runs), Size: uint64(w.Size), OldestUnixNano: nanos(w.Oldest)}
}

// WaitingOf is the inverse of WaitingProto.
func WaitingOf(m *pb.Waiting) Waiting {
	return Waiting{Runs: int(m.GetRuns()), Size: int64(m.GetSize()), Oldest: instant(m.GetOldestUnixNano())}
}

// TroublesProto converts for beats and listings.
func TroublesProto(ts []Trouble) (out []*pb.Trouble) {
	for _, t := range ts {
		out = append(out, &pb.Trouble{What: clean(t.What), SinceUnixNano: nanos(t.Since)})
	}
	return out
}

// TroublesOf is the inverse of TroublesProto.
func TroublesOf(ms []*pb.Trouble) (out []Trouble) {
	for _, m := range ms {
		out = append(out, Trouble{What: m.GetWhat(), Since: instant(m.GetSinceUnixNano())})
	}
	return out
}

// beatOf is the inverse of proto, for bytes of others.
func beatOf(m *pb.BeatRequest) (Beat, error) {
	b := Beat{
		Rig: m.GetRig(), Boot: m.GetBootId(), SinceBoot: time.Duration(m.GetSinceBootNano()), Wall: instant(m.GetWallUnixNano()),
		Sequence: m.GetSequence(), Every: time.Duration(m.GetEveryNano()),
		Setup: record.SetupOf(m.GetSetup()), Agent: m.GetAgentVersion(), Played: m.GetPlayed(),
		Offset: record.OffsetOf(m.GetOffset()), Answers: m.GetAnswers(),
	}
	var err error
	if b.SHA256, err = hashOf(m.GetFactsSha256()); err != nil {
		return b, fmt.Errorf("its facts: %w", err)
	}
	switch {
	case m.GetWhole() != nil:
		b.Facts = record.SnapshotOf(m.GetWhole())
	case m.GetChanges() != nil:
		c := m.GetChanges()
		b.Facts = record.SnapshotOf(&pb.Snapshot{AtUnixNano: c.GetAtUnixNano(), Facts: c.GetFacts()})
		for _, k := range c.GetGone() {
			b.Gone = append(b.Gone, rig.Key(k))
		}
		if b.Base, err = hashOf(c.GetBaseSha256()); err == nil && b.Whole() {
			err = errors.New("no SHA-256")
		}
		if err != nil {
			return b, fmt.Errorf("the base of its changes: %w", err)
		}
	default:
		return b, errors.New("it has neither facts nor changes of them")
	}
	if m.GetWaiting().GetSize() > math.MaxInt64 {
		return b, errors.New("more waits than there can be")
	}
	b.Waiting, b.Troubles = WaitingOf(m.GetWaiting()), TroublesOf(m.GetTroubles())
	return b, b.Check()
}

func hashOf(b []byte) (sum [sha256.Size]byte, err error) {
	if len(b) != len(sum) {
		return sum, errors.New("no SHA-256")
	}
	return [sha256.Size]byte(b), nil
}

// nanos and instant turn times into nanoseconds since 1970 and back; 0 is the
// zero time.
func nanos(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

func instant(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}
