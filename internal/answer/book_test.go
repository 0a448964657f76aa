package answer_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
)

// shelf is a Book that keeps labtest's runs in memory, newest last.
type shelf struct {
	state   answer.State
	runs    []labtest.Run
	asked   answer.Query
	marks   []answer.Mark
	stopped error // what yield returned
	wrong   [][2]string
	copy    []byte
}

func (s *shelf) add(g *labtest.Rig, n int) *shelf {
	for range n {
		s.runs = append(s.runs, g.Finish(labtest.Shape{}))
	}
	return s
}

func summary(r labtest.Run) answer.Summary {
	j := drift.Judgement{Standing: drift.Careful, Flags: []drift.Flag{{
		Kind: drift.Underrated, Fact: "memory.speed", Expected: rig.NumberOf(3200), Seen: rig.NumberOf(2400), Unit: rig.MTps,
		Weight: rig.Note, WeightBefore: rig.Caution, Evidence: "type 17",
	}}, MarkRun: "20310302-090312-k7q2m9xd", At: r.Started}
	st := answer.Describe([]int64{16e6, 17e6, 16e6, 5e9, 17e6})
	return answer.Summarise(r.Run, r.Signed.SHA256(), st, j)
}

func (s *shelf) find(id string) (labtest.Run, error) {
	var found []labtest.Run
	for _, r := range s.runs {
		if strings.HasPrefix(r.ID, id) || strings.HasPrefix(r.ID[16:], id) {
			found = append(found, r)
		}
	}
	switch len(found) {
	case 0:
		return labtest.Run{}, fault.New("find run", id, answer.ErrNotFound).WithHint("list the runs with: collector runs")
	case 1:
		return found[0], nil
	}
	return labtest.Run{}, fault.New("find run", id, answer.ErrAmbiguous).WithHint("give more letters of the id")
}

func (s *shelf) State(context.Context) (answer.State, error) { return s.state, nil }

func (s *shelf) Rigs(context.Context) ([]answer.RigSummary, error) {
	last := s.runs[len(s.runs)-1]
	return []answer.RigSummary{
		{Name: "avocet", Runs: 1, LastRun: last.ID, LastStarted: last.Started, LastSetup: "memory-rated", LastStanding: "void", KeySHA256: []byte{1, 2, 3}, MarkedSetups: []string{"", "memory-rated"}, Played: true},
		{Name: "heron", Runs: len(s.runs), LastRun: last.ID, LastStarted: last.Started, LastStanding: "clean", KeySHA256: []byte{4}},
	}, nil
}

func (s *shelf) Runs(_ context.Context, q answer.Query, yield func(answer.Summary) error) error {
	s.asked = q
	for _, r := range s.runs {
		if s.stopped = yield(summary(r)); s.stopped != nil {
			return s.stopped
		}
	}
	return nil
}

func (s *shelf) Show(_ context.Context, id string) (answer.Detail, error) {
	if id == "broken" {
		return answer.Detail{}, errors.New("disk on fire \xff")
	}
	r, err := s.find(id)
	if err != nil {
		return answer.Detail{}, err
	}
	receipt := trail.Receipt{RecordSHA256: trail.Digest(r.Signed.SHA256()), Index: 3, Size: 4, Leaf: []byte("leaf"), Proof: []trail.Hash{{1}, {2}}, Head: []byte("head")}
	return answer.Detail{Summary: summary(r), Signed: r.Signed, Receipt: receipt}, nil
}

func (s *shelf) Attachment(_ context.Context, id, name string) ([]byte, error) {
	r, err := s.find(id)
	if err != nil {
		return nil, err
	}
	for i, a := range r.Attachments {
		if a.Name == name {
			return r.Data[i], nil
		}
	}
	return nil, fmt.Errorf("read attachment: %w", answer.ErrNotFound)
}

func (s *shelf) AcceptMark(_ context.Context, id, by, why string) (answer.Mark, trail.Receipt, error) {
	r, err := s.find(id)
	if err != nil {
		return answer.Mark{}, trail.Receipt{}, err
	}
	m := answer.Mark{Rig: r.Rig, Setup: summary(r).Setup, RunID: r.ID, At: r.Started, By: by, Why: why}
	s.marks = append(s.marks, m)
	return m, trail.Receipt{RecordSHA256: trail.Digest(r.Signed.SHA256()), Leaf: []byte("leaf"), Index: 5, Size: 6, Head: []byte("head")}, nil
}

func (s *shelf) Retract(_ context.Context, id, by, why string) (answer.Summary, trail.Receipt, error) {
	return s.retract(id, by, why, trail.KindRetraction)
}

func (s *shelf) Reinstate(_ context.Context, id, by, why string) (answer.Summary, trail.Receipt, error) {
	return s.retract(id, by, why, trail.KindReinstatement)
}

func (s *shelf) retract(id, by, why string, kind trail.Kind) (answer.Summary, trail.Receipt, error) {
	r, err := s.find(id)
	if err != nil {
		return answer.Summary{}, trail.Receipt{}, err
	}
	if why == "twice" {
		return answer.Summary{}, trail.Receipt{}, fmt.Errorf("%w: it is retracted already", answer.ErrState)
	}
	leaf, err := trail.Entry{Kind: kind, At: r.Started, Digest: r.Signed.SHA256(), Subject: r.ID, Actor: by, Text: why}.Marshal()
	sum := summary(r).Retracted([]answer.Retracting{{Withdrawn: kind == trail.KindReinstatement, At: r.Started, By: by, Why: why, Index: 7}})
	return sum, trail.Receipt{RecordSHA256: r.Signed.SHA256(), Leaf: leaf, Index: 7, Size: 8, Head: []byte("head")}, err
}

func (s *shelf) Rekey(context.Context, string, string) (answer.Rekeyed, trail.Receipt, error) {
	return answer.Rekeyed{}, trail.Receipt{}, errors.New("a shelf has no key")
}

func (s *shelf) Check(_ context.Context, found func(where, what string), progress func(done, total int64)) (answer.Checked, error) {
	for i := range int64(3) {
		progress(i+1, 3)
	}
	for _, f := range s.wrong {
		found(f[0], f[1])
	}
	n := checked
	n.Runs = len(s.runs)
	return n, s.stopped
}

func (s *shelf) Backup(_ context.Context, begin func(size int64, verifierKey string) (io.Writer, error)) error {
	w, err := begin(int64(len(s.copy)), "key")
	if err != nil {
		return err
	}
	for b := s.copy; len(b) > 0 && err == nil; b = b[min(100<<10, len(b)):] {
		_, err = w.Write(b[:min(100<<10, len(b))])
	}
	return errors.Join(err, s.stopped)
}

func (s *shelf) Dossier(_ context.Context, _ string, _ []byte, w io.Writer) error {
	_, err := w.Write(s.copy)
	return errors.Join(err, s.stopped)
}

func (s *shelf) Mark(_ context.Context, rigName, setup string) (*answer.Mark, rig.Snapshot, error) {
	for _, m := range s.marks {
		if m.Rig == rigName && m.Setup == setup {
			return &m, rig.Snapshot{}, nil // the client takes it from the record
		}
	}
	return nil, rig.Snapshot{}, nil
}

// served serves the book in memory, with a say over every message that leaves.
func served(t *testing.T, b answer.Book, say func(m any)) answer.Client {
	srv := grpc.NewServer(
		grpc.ChainStreamInterceptor(func(s any, st grpc.ServerStream, _ *grpc.StreamServerInfo, h grpc.StreamHandler) error {
			return h(s, saying{st, say})
		}),
		grpc.ChainUnaryInterceptor(func(ctx context.Context, q any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
			m, err := h(ctx, q)
			if err == nil && say != nil {
				say(m)
			}
			return m, err
		}))
	answer.Register(srv, b)
	return answer.NewClient(labtest.Connect(t, srv)).At("lab")
}

type saying struct {
	grpc.ServerStream
	say func(any)
}

func (s saying) SendMsg(m any) error {
	if s.say != nil {
		s.say(m)
	}
	return s.ServerStream.SendMsg(m)
}

// logged gives a run with a readable timing log.
func logged(g *labtest.Rig) labtest.Run {
	return g.Finish(labtest.Shape{Plain: true, LogBytes: 300 << 10})
}

func (s *shelf) Kept(_ context.Context, from int64, yield func(int64, string) error) (int64, error) {
	for i := from; i < int64(len(s.runs)); i++ {
		if err := yield(i, s.runs[i].ID); err != nil {
			return i, err
		}
	}
	return max(from, int64(len(s.runs))), nil
}

func (s *shelf) FollowFlags(_ context.Context, from *answer.Place, yield func(answer.Flagged) error) error {
	if from == nil {
		from = &answer.Place{Trail: answer.TrailOf("shelf")}
	}
	return yield(answer.Flagged{Next: *from})
}

var _ answer.Book = (*shelf)(nil)
