package answer

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	pb "witnessmark/proto/witnessmark/v1"
)

// Place is a place between two flags of those that a collector finds, one after
// the other, for as long as it lives. As text it is such as
//
//	412.3.97-5d41402abc4b2a76
//
// entry, given and finding, and the trail that it is of.
type Place struct {
	Entry   int64 // of the trail, to look at next
	Given   int   // flags of that entry's run that were given already
	Finding int64 // the number of the finding about a rig's present state to look at next
	Trail   string
}

func (p Place) String() string {
	return fmt.Sprintf("%d.%d.%d-%s", p.Entry, p.Given, p.Finding, p.Trail)
}

// TrailOf is how a Place names the trail of an origin.
func TrailOf(origin string) string {
	sum := sha256.Sum256([]byte(origin))
	return fmt.Sprintf("%x", sum[:8])
}

var placeForm = regexp.MustCompile(`^(0|[1-9][0-9]{0,17})\.(0|[1-9][0-9]{0,8})\.(0|[1-9][0-9]{0,17})-([0-9a-f]{16})$`)

// ParsePlace reads what String gives, and nothing else.
func ParsePlace(s string) (Place, error) {
	m := placeForm.FindStringSubmatch(s)
	if m == nil {
		return Place{}, fmt.Errorf("%q is no place between flags, which reads like 412.3.97-5d41402abc4b2a76", s)
	}
	p := Place{Trail: m[4]}
	p.Entry, _ = strconv.ParseInt(m[1], 10, 64) // the form leaves nothing to go wrong
	p.Given, _ = strconv.Atoi(m[2])
	p.Finding, _ = strconv.ParseInt(m[3], 10, 64)
	return p, nil
}

// Flagged is what is flagged at one moment. One of Run, Rig and Missed is set, or
// none, when it only tells where the following begins.
type Flagged struct {
	Next   Place    // to go on from after it
	Given  int      // flags of the run that were given before
	Run    *Summary // a run was kept that has flags
	Rig    *RigFlag
	Missed int64 // findings about rigs' present states that are no longer kept
}

// RigFlag is a flag on what a rig is now, when it is new.
type RigFlag struct {
	Rig, Setup, Played string
	Judgement          drift.Judgement // its flags are this one alone
}

// FlagNews is one flag as it is found, as JSON shows it.
type FlagNews struct {
	Place string    `json:"place"` // to go on after it
	Of    string    `json:"of"`    // run, rig, or missed
	Found time.Time `json:"found,omitzero"`
	*FlagRow
	Missed int64  `json:"missed,omitempty"`
	Look   string `json:"look,omitempty"` // where to see what was missed
}

// News gives the flags one by one, each with the place after it.
func (f Flagged) News() (out []FlagNews) {
	switch {
	case f.Run != nil:
		rows := f.Run.FlagRows()
		for i := min(f.Given, len(rows)); i < len(rows); i++ {
			at := Place{f.Next.Entry - 1, i + 1, f.Next.Finding, f.Next.Trail}
			if i == len(rows)-1 {
				at = f.Next
			}
			out = append(out, FlagNews{Place: at.String(), Of: "run", Found: f.Run.Judgement.At, FlagRow: &rows[i]})
		}
	case f.Rig != nil:
		for _, flag := range f.Rig.Judgement.Flags {
			row := FlagRow{Rig: f.Rig.Rig, Setup: f.Rig.Setup, Played: f.Rig.Played, Flag: flag}
			out = append(out, FlagNews{Place: f.Next.String(), Of: "rig", Found: f.Rig.Judgement.At, FlagRow: &row})
		}
	case f.Missed > 0:
		out = append(out, FlagNews{Place: f.Next.String(), Of: "missed", Missed: f.Missed, Look: "collector rigs"})
	}
	return out
}

func (p Place) proto() *pb.FlagPlace {
	return &pb.FlagPlace{Trail: p.Trail, Entry: p.Entry, Finding: p.Finding}
}

func placeOf(m *pb.FlagPlace) Place {
	return Place{Entry: m.GetEntry(), Finding: m.GetFinding(), Trail: m.GetTrail()}
}

func (s *server) FollowFlags(q *pb.FollowFlagsRequest, st grpc.ServerStreamingServer[pb.FollowFlagsResponse]) error {
	var from *Place
	if q.GetFrom() != nil {
		p := placeOf(q.GetFrom())
		from = &p
	}
	err := s.book.FollowFlags(st.Context(), from, func(f Flagged) error {
		m := &pb.FollowFlagsResponse{Next: f.Next.proto()}
		switch {
		case f.Run != nil:
			m.Flagged = &pb.FollowFlagsResponse_Run{Run: f.Run.flagsOnly().proto()}
		case f.Rig != nil:
			m.Flagged = &pb.FollowFlagsResponse_Rig{Rig: &pb.RigFlag{
				Rig: f.Rig.Rig, Setup: f.Rig.Setup, Played: f.Rig.Played, Judgement: record.JudgementProto(f.Rig.Judgement),
			}}
		case f.Missed > 0:
			m.Flagged = &pb.FollowFlagsResponse_Missed{Missed: f.Missed}
		}
		return st.Send(m)
	})
	return statusOf(err)
}

// flagsOnly leaves out of a summary what is long and says nothing of its flags.
func (s Summary) flagsOnly() Summary {
	s.Results, s.Statistics = nil, NoStatistics("not asked for")
	return s
}

// FollowFlags calls yield with what is flagged, as it comes, from a place on, or
// from now on for nil; first with where that is. It ends with the error of yield,
// the context's, or that of the connection.
func (c Client) FollowFlags(ctx context.Context, from *Place, yield func(Flagged) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	q := &pb.FollowFlagsRequest{}
	if from != nil {
		q.From = from.proto()
	}
	st, err := c.c.FollowFlags(ctx, q)
	if err != nil {
		return c.explain(err)
	}
	var at Place
	if from != nil {
		at = *from
	}
	for {
		m, err := st.Recv()
		if err != nil {
			return c.explain(err)
		}
		f, err := flaggedOf(m)
		if err != nil {
			return doubt("follow flags", c.where, err)
		}
		switch {
		case f.Run != nil:
			if f.Next.Entry-1 == at.Entry {
				f.Given = at.Given
			}
		case f.Next.Entry == at.Entry:
			f.Next.Given = at.Given
		}
		at = f.Next
		if err := yield(f); err != nil {
			return err
		}
	}
}

func flaggedOf(m *pb.FollowFlagsResponse) (f Flagged, err error) {
	f.Next = placeOf(m.GetNext())
	switch {
	case m.GetRun() != nil:
		var s Summary
		s, err = summaryOf(m.GetRun())
		f.Run = &s
	case m.GetRig() != nil:
		r := m.GetRig()
		f.Rig = &RigFlag{Rig: r.GetRig(), Setup: r.GetSetup(), Played: r.GetPlayed()}
		f.Rig.Judgement, err = record.JudgementOf(r.GetJudgement())
	default:
		f.Missed = m.GetMissed()
	}
	if _, perr := ParsePlace(f.Next.String()); err == nil && perr != nil {
		err = errors.Join(errors.New("it names no place to go on from"), perr)
	}
	return f, err
}
