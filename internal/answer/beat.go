package answer

import (
	"fmt"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	pb "witnessmark/proto/witnessmark/v1"
)

// Beat is what a rig's beats say of it now.
type Beat struct {
	Came      time.Time // the last one, by the collector's clock
	Every     time.Duration
	Silent    bool // several more should have come since
	Boot      string
	Setup     string // label; "" when none is declared
	Judgement drift.Judgement
	Moved     []Moved
	Waiting   deliver.Waiting
	Troubles  []deliver.Trouble
	Agent     string // its version
	Played    string
	Offset    *rig.ClockOffset // nil when it is not known
}

// Moved is a fact that is other than it was.
type Moved struct {
	drift.Move
	Against string    // "mark RUN", "the boot before", "the first beat"
	Since   time.Time // when the collector first saw it so
}

func (b *Beat) proto() *pb.BeatSummary {
	if b == nil {
		return nil
	}
	m := &pb.BeatSummary{
		CameUnixNano: b.Came.UnixNano(), EveryNano: int64(b.Every), Silent: b.Silent, BootId: b.Boot, Setup: b.Setup,
		Judgement: record.JudgementProto(b.Judgement), AgentVersion: b.Agent, Played: b.Played, Offset: record.OffsetProto(b.Offset),
		Waiting: deliver.WaitingProto(b.Waiting), Troubles: deliver.TroublesProto(b.Troubles),
	}
	for _, k := range b.Moved {
		m.Moved = append(m.Moved, &pb.MovedFact{
			Fact: string(k.Fact), Was: record.ReadingProto(k.Was), Now: record.ReadingProto(k.Now), Unit: string(k.Unit),
			Against: k.Against, SinceUnixNano: k.Since.UnixNano(),
		})
	}
	return m
}

func beatOf(m *pb.BeatSummary) (*Beat, error) {
	if m == nil {
		return nil, nil
	}
	j, err := record.JudgementOf(m.GetJudgement())
	if err != nil {
		return nil, fmt.Errorf("decode beat: %w", err)
	}
	b := &Beat{
		Came: time.Unix(0, m.GetCameUnixNano()).UTC(), Every: time.Duration(m.GetEveryNano()), Silent: m.GetSilent(),
		Boot: m.GetBootId(), Setup: m.GetSetup(), Judgement: j, Agent: m.GetAgentVersion(), Played: m.GetPlayed(),
		Offset: record.OffsetOf(m.GetOffset()), Waiting: deliver.WaitingOf(m.GetWaiting()), Troubles: deliver.TroublesOf(m.GetTroubles()),
	}
	for _, k := range m.GetMoved() {
		b.Moved = append(b.Moved, Moved{
			Move:    drift.Move{Fact: rig.Key(k.GetFact()), Was: record.ReadingOf(k.GetWas()), Now: record.ReadingOf(k.GetNow()), Unit: rig.Unit(k.GetUnit())},
			Against: k.GetAgainst(), Since: time.Unix(0, k.GetSinceUnixNano()).UTC(),
		})
	}
	return b, nil
}

// BeatRow is what a rig's beats say of it, as JSON shows it.
type BeatRow struct {
	Last      time.Time      `json:"last"`
	EveryS    float64        `json:"every_s"`
	Silent    bool           `json:"silent"`
	Setup     string         `json:"setup"`
	Standing  drift.Standing `json:"standing"`
	Mark      string         `json:"mark,omitempty"`
	Flags     []drift.Flag   `json:"flags"`
	Moved     []MovedRow     `json:"moved"`
	Waiting   WaitingRow     `json:"waiting"`
	Troubles  []TroubleRow   `json:"troubles"`
	ClockS    *float64       `json:"clock_ahead_s"` // null when it is not known
	ClockOffS *float64       `json:"clock_uncertainty_s"`
	Agent     string         `json:"agent"`
	Played    string         `json:"played,omitempty"`
}

// MovedRow is a fact that is other than it was, as JSON shows it.
type MovedRow struct {
	Fact    rig.Key   `json:"fact"`
	Was     rig.Value `json:"was"`
	Now     rig.Value `json:"now"`
	Unit    rig.Unit  `json:"unit,omitempty"`
	Against string    `json:"against"`
	Since   time.Time `json:"since"`
}

// WaitingRow is what a rig has yet to deliver, as JSON shows it.
type WaitingRow struct {
	Runs   int       `json:"runs"`
	Bytes  int64     `json:"bytes"`
	Oldest time.Time `json:"oldest,omitzero"`
}

// TroubleRow is something that an agent cannot do, as JSON shows it.
type TroubleRow struct {
	What  string    `json:"what"`
	Since time.Time `json:"since"`
}

func (b *Beat) row() *BeatRow {
	if b == nil {
		return nil
	}
	r := &BeatRow{
		Last: b.Came, EveryS: b.Every.Seconds(), Silent: b.Silent, Setup: b.Setup, Standing: b.Judgement.Standing, Mark: b.Judgement.MarkRun,
		Flags: append([]drift.Flag{}, b.Judgement.Flags...), Moved: []MovedRow{}, Troubles: []TroubleRow{},
		Waiting: WaitingRow{b.Waiting.Runs, b.Waiting.Size, b.Waiting.Oldest}, Agent: b.Agent, Played: b.Played,
	}
	for _, k := range b.Moved {
		r.Moved = append(r.Moved, MovedRow{k.Fact, k.Was, k.Now, k.Unit, k.Against, k.Since})
	}
	for _, t := range b.Troubles {
		r.Troubles = append(r.Troubles, TroubleRow{t.What, t.Since})
	}
	if b.Offset != nil {
		ahead, off := b.Offset.Ahead.Seconds(), b.Offset.Uncertainty.Seconds()
		r.ClockS, r.ClockOffS = &ahead, &off
	}
	return r
}
