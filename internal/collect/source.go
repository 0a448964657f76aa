package collect

import (
	"context"
	"errors"
	"fmt"

	"witnessmark/internal/archive"
	"witnessmark/internal/follow"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// source is a collector as those see it who follow it.
type source struct{ *Collector }

var _ follow.Source = source{}

func (s source) Head() (trail.Head, []byte, error) { return s.archive.Head() }
func (s source) HeadAt(size int64) ([]byte, error) { return s.archive.HeadAt(size) }
func (s source) Line() (trail.Line, error)         { return s.archive.Line() }
func (s source) News() <-chan struct{}             { return s.news.wait() }

// Successions implements follow.Source.
func (s source) Successions(since string) (notes [][]byte, err error) {
	all, err := s.archive.Successions(since, 0)
	for _, x := range all {
		notes = append(notes, x.Note)
	}
	return notes, err
}

// From implements follow.Source. As evidence against this archive a head was kept
// before, when the follower asked how its own belongs to the trail: [Collector.Extends].
func (s source) From(head []byte) (now []byte, size int64, proof []trail.Hash, ok bool, err error) {
	_, now, seen, err := s.archive.Extends([][]byte{head})
	if err != nil {
		return nil, 0, nil, false, err
	}
	return now, seen[0].Head.Size, seen[0].Consistency, seen[0].Ours, nil
}

// Entry implements follow.Source.
func (s source) Entry(index int64) (e follow.Entry, err error) {
	if e.Copied, err = s.archive.CopyEntry(index); err != nil || e.Entry.Kind != trail.KindRecord {
		return e, err
	}
	st, err := s.archive.Run(e.Entry.Subject)
	if err != nil {
		return e, err
	}
	run, err := record.Decode(st.Signed.Bytes)
	if err != nil {
		return e, err
	}
	e.Run = &follow.Run{Signed: st.Signed, Summary: st.Summary, Receipt: st.Receipt}
	for _, a := range run.Attachments {
		b, err := s.archive.Part(run.ID, a.Name)
		if err != nil {
			return e, err
		}
		e.Run.Parts = append(e.Run.Parts, b)
	}
	return e, nil
}

// Cosigned implements follow.Source.
func (s source) Cosigned(ctx context.Context, key string, head []byte) error {
	by := "" // the owner signs for nobody
	if p, ok := trust.PeerOf(ctx); ok && p.Role == trust.Witness {
		by = p.Name
	}
	err := s.archive.AddCosignedBy(by, key, head)
	if errors.Is(err, archive.ErrWitness) {
		err = fmt.Errorf("%w: %w", follow.ErrRefused, err)
	}
	return err
}
