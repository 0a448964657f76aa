package answer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// apace is how often a check tells how far it has come.
const apace = 200 * time.Millisecond

func (s *server) CheckArchive(_ *pb.CheckArchiveRequest, st grpc.ServerStreamingServer[pb.CheckArchiveResponse]) error {
	ctx, cancel := context.WithCancelCause(st.Context())
	defer cancel(nil)
	send := func(m *pb.CheckArchiveResponse) {
		if err := st.Send(m); err != nil {
			cancel(err)
		}
	}
	findings, told := int64(0), time.Now()
	n, err := s.book.Check(ctx, func(where, what string) {
		findings++
		send(&pb.CheckArchiveResponse{Message: &pb.CheckArchiveResponse_Finding{Finding: &pb.Finding{Where: where, What: what}}})
	}, func(done, total int64) {
		if now := time.Now(); done == total || now.Sub(told) >= apace {
			told = now
			send(&pb.CheckArchiveResponse{Message: &pb.CheckArchiveResponse_Progress{Progress: &pb.CheckProgress{Done: done, Total: total}}})
		}
	})
	if err != nil {
		return statusOf(err)
	}
	sum := &pb.CheckSummary{Runs: int64(n.Runs), Entries: n.Entries, Findings: findings, VerifierKey: n.VerifierKey}
	for _, k := range n.Keys {
		p := &pb.TrailKey{VerifierKey: k.Key, Entry: k.Entry, Word: k.Word}
		if !k.At.IsZero() {
			p.AtUnixNano = k.At.UnixNano()
		}
		sum.Keys = append(sum.Keys, p)
	}
	return st.Send(&pb.CheckArchiveResponse{Message: &pb.CheckArchiveResponse_Summary{Summary: sum}})
}

// Check has the collector go through all that it keeps.
func (c Client) Check(ctx context.Context, found func(where, what string), progress func(done, total int64)) (Checked, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.CheckArchive(ctx, &pb.CheckArchiveRequest{})
	if err != nil {
		return Checked{}, c.explain(err)
	}
	for findings := int64(0); ; {
		m, err := st.Recv()
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = errors.New("the check has no end")
			}
			return Checked{}, c.explain(err)
		}
		switch {
		case m.GetFinding() != nil:
			findings++
			found(m.GetFinding().GetWhere(), m.GetFinding().GetWhat())
		case m.GetProgress() != nil && progress != nil:
			progress(m.GetProgress().GetDone(), m.GetProgress().GetTotal())
		case m.GetSummary() != nil:
			if n := m.GetSummary().GetFindings(); n != findings {
				return Checked{}, doubt("check archive", c.where, fmt.Errorf("%d findings came of %d", findings, n))
			}
			return checkedOf(m.GetSummary()), nil
		}
	}
}

func checkedOf(m *pb.CheckSummary) Checked {
	c := Checked{Runs: int(m.GetRuns()), Entries: m.GetEntries(), VerifierKey: m.GetVerifierKey()}
	for _, k := range m.GetKeys() {
		since := trail.KeySince{Key: k.GetVerifierKey(), Entry: k.GetEntry(), Word: k.GetWord()}
		if n := k.GetAtUnixNano(); n != 0 {
			since.At = time.Unix(0, n).UTC()
		}
		c.Keys = append(c.Keys, since)
	}
	return c
}

func (s *server) Backup(_ *pb.BackupRequest, st grpc.ServerStreamingServer[pb.BackupResponse]) error {
	err := s.book.Backup(st.Context(), func(size int64, key string) (io.Writer, error) {
		head := &pb.BackupHead{Size: size, VerifierKey: key}
		return chunks{st}, st.Send(&pb.BackupResponse{Message: &pb.BackupResponse_Head{Head: head}})
	})
	return statusOf(err)
}

// chunks sends what is written to it.
type chunks struct {
	st grpc.ServerStreamingServer[pb.BackupResponse]
}

func (c chunks) Write(b []byte) (int, error) {
	err := inChunks(b, func(b []byte) error {
		return c.st.Send(&pb.BackupResponse{Message: &pb.BackupResponse_Data{Data: b}})
	})
	return len(b), err
}

// Backup writes a copy of the collector's archive as it comes.
func (c Client) Backup(ctx context.Context, begin func(size int64, verifierKey string) (io.Writer, error)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.Backup(ctx, &pb.BackupRequest{})
	if err != nil {
		return c.explain(err)
	}
	m, err := st.Recv()
	if err != nil {
		return c.explain(err)
	}
	left := m.GetHead().GetSize()
	w, err := begin(left, m.GetHead().GetVerifierKey())
	if err != nil {
		return err
	}
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return c.explain(err)
		}
		left -= int64(len(m.GetData()))
		if _, err := w.Write(m.GetData()); err != nil {
			return err
		}
	}
	if left != 0 {
		return doubt("back up", c.where, fmt.Errorf("the copy lacks %d bytes of those announced", left))
	}
	return nil
}
