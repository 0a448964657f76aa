package local

import (
	"context"
	"errors"
	"math"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	pb "witnessmark/proto/witnessmark/v1"
)

// Rig is the agent at work.
type Rig interface {
	// Settle waits until the rig is as want says, or its limit. About once a second
	// it tells what is not settled yet; it gives what is not at the end.
	Settle(ctx context.Context, want setup.Settle, tell func(left []string) error) (left []string, err error)
	// BeginSpan marks the beginning of a run, EndSpan its end, and gives how long it
	// was. The name is one that record.ValidName takes.
	BeginSpan(name string) error
	EndSpan(name string) (time.Duration, error)
	Status() Status
}

// Status is what an agent does now.
type Status struct {
	Rig       string
	Version   string
	Played    string // why its facts are not the machine's; "" when they are
	Collector string // "" for the archive in the state folder
	Setup     string // label; "" when none is declared
	Up        time.Duration

	Pace     time.Duration // of sampling
	Sampled  time.Duration // since the last pass; negative before the first
	FactsAge time.Duration // since facts were read; negative before
	Facts    int           // as beats have them
	Unread   int           // of those

	BeatAge   time.Duration   // since the collector answered one; negative before
	Judgement drift.Judgement // the collector's last
	Waiting   deliver.Waiting
	Troubles  []deliver.Trouble
	Spans     []string // that have begun and not ended

	// Since the agent started.
	Taken, Delivered, BeatsAnswered, BeatsUnanswered uint64
}

func (s Status) proto() *pb.GetStatusResponse {
	since := func(d time.Duration) *int64 {
		if d < 0 {
			return nil
		}
		return new(int64(d))
	}
	m := &pb.GetStatusResponse{
		Rig: s.Rig, AgentVersion: s.Version, Played: s.Played, Collector: s.Collector, Setup: s.Setup, UpNano: int64(s.Up), PaceNano: int64(s.Pace),
		SampledNano: since(s.Sampled), FactsNano: since(s.FactsAge), BeatNano: since(s.BeatAge), Facts: uint32(s.Facts), Unread: uint32(s.Unread),
		Waiting: deliver.WaitingProto(s.Waiting), Troubles: deliver.TroublesProto(s.Troubles), Spans: s.Spans,
		Taken: s.Taken, Delivered: s.Delivered, BeatsAnswered: s.BeatsAnswered, BeatsUnanswered: s.BeatsUnanswered,
	}
	if s.Judgement.Standing != "" {
		m.Judgement = record.JudgementProto(s.Judgement)
	}
	return m
}

func statusOf(m *pb.GetStatusResponse) (s Status, err error) {
	since := func(n *int64) time.Duration {
		if n == nil {
			return -1
		}
		return time.Duration(*n)
	}
	s = Status{
		Rig: m.GetRig(), Version: m.GetAgentVersion(), Played: m.GetPlayed(), Collector: m.GetCollector(), Setup: m.GetSetup(),
		Up: time.Duration(m.GetUpNano()), Pace: time.Duration(m.GetPaceNano()),
		Sampled: since(m.SampledNano), FactsAge: since(m.FactsNano), BeatAge: since(m.BeatNano), Facts: int(m.GetFacts()), Unread: int(m.GetUnread()),
		Waiting: deliver.WaitingOf(m.GetWaiting()), Troubles: deliver.TroublesOf(m.GetTroubles()), Spans: m.GetSpans(),
		Taken: m.GetTaken(), Delivered: m.GetDelivered(), BeatsAnswered: m.GetBeatsAnswered(), BeatsUnanswered: m.GetBeatsUnanswered(),
	}
	if m.GetJudgement() != nil {
		s.Judgement, err = record.JudgementOf(m.GetJudgement())
	}
	return s, err
}

// mostLimit bounds how long one call waits for a rig to settle.
const mostLimit = 24 * time.Hour

func settleOf(m *pb.SettleRequest) (setup.Settle, error) {
	w := setup.Settle{BelowCelsius: m.Below, OtherLoadPercent: m.OtherLoad, Limit: time.Duration(m.GetLimitNano())}
	switch {
	case w.BelowCelsius == nil && w.OtherLoadPercent == nil:
		return w, errors.New("nothing is to be waited for")
	case w.Limit < 0 || w.Limit > mostLimit:
		return w, errors.New("the limit is not a span of time up to a day")
	}
	for _, f := range []*float64{m.Below, m.OtherLoad} {
		if f != nil && (math.IsNaN(*f) || math.IsInf(*f, 0)) {
			return w, errors.New("a bound is not a number")
		}
	}
	return w, nil
}

const beforeHint = "\nhint: "

// refusal gives an error of the rig's over the wire, with its hint.
func refusal(err error) error {
	text := err.Error()
	if hint := fault.HintOf(err); hint != "" {
		text += beforeHint + hint
	}
	return status.Error(codes.FailedPrecondition, text)
}

// refused is the inverse of refusal, and names what was asked for.
func refused(what, where string, err error) error {
	st := status.Convert(err)
	why, hint, _ := strings.Cut(st.Message(), beforeHint)
	f := fault.New(what, where, errors.New(why))
	switch {
	case hint != "":
		return f.WithHint(hint)
	case st.Code() == codes.Unavailable:
		return f.WithHint("the agent stopped meanwhile; ask again")
	}
	return f
}
