package deliver

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// Prover is the trail of what is kept.
type Prover interface {
	// Consistency proves that the tree of size begins with all entries of the tree
	// of older. A size that the trail does not have gives nil.
	Consistency(older, size int64) ([]trail.Hash, error)
	// Extends gives the present head and how those that were seen belong to it.
	// Since is the key that the asker knows, "" for none.
	Extends(ctx context.Context, since string, seen [][]byte) (Extended, error)
}

// Extended is a collector's present head, and the proofs that it only adds to
// heads that were seen before.
type Extended struct {
	VerifierKey string // of the key that signs heads, as the note format spells it
	Head        []byte // a signed note
	// Consistency holds, in the order of the heads seen, a proof each; nil where
	// there is none.
	Consistency [][]trail.Hash
	// Instead holds, in the same order, the head over as many entries that the trail
	// has in the place of one that its key signed and that it does not have, a signed
	// note; nil where it has that one, or gives none.
	Instead     [][]byte
	Cosigned    []Cosigned
	Successions []Succession // that follow the key that was asked from
}

// Succession says, as a signed note, that a key of the trail was followed by
// another, with the proof that the present head adds to the last one of the old key.
type Succession struct {
	Note        []byte
	Consistency []trail.Hash
}

// Cosigned is a head that a witness signed beside the collector, and the proof that
// the present one only adds to it.
type Cosigned struct {
	Head        []byte // a signed note
	Consistency []trail.Hash
}

const (
	mostSeen = 4       // heads in one question
	mostNote = 8 << 10 // bytes of a signed head
	mostKey  = 1 << 10 // bytes of a verifier key

	mostWitnesses = 64 // whose heads are looked at
)

// lead adds to a receipt how it belongs to the trail of the size that was seen.
func (s *server) lead(seen int64, r *trail.Receipt) (err error) {
	if seen == 0 {
		return nil
	}
	r.SeenSize = seen
	r.Consistency, err = s.taker.Consistency(min(seen, r.Size), max(seen, r.Size))
	return err
}

func (s *server) GetHead(ctx context.Context, q *pb.GetHeadRequest) (*pb.GetHeadResponse, error) {
	if n := len(q.GetSeen()); n > mostSeen {
		return nil, Refuse(TooLarge, codes.InvalidArgument, "%d heads are said to be seen; %d are taken", n, mostSeen)
	}
	for _, note := range q.GetSeen() {
		if len(note) > mostNote {
			return nil, Refuse(TooLarge, codes.InvalidArgument, "a head of %d bytes is said to be seen; %d are taken", len(note), mostNote)
		}
	}
	if n := len(q.GetSinceKey()); n > mostKey {
		return nil, Refuse(TooLarge, codes.InvalidArgument, "a key of %d bytes is said to be known; %d are taken", n, mostKey)
	}
	x, err := s.taker.Extends(ctx, q.GetSinceKey(), q.GetSeen())
	if err != nil {
		return nil, statusOf(err)
	}
	m := &pb.GetHeadResponse{VerifierKey: x.VerifierKey, Head: x.Head, Instead: x.Instead}
	for _, p := range x.Consistency {
		m.Consistency = append(m.Consistency, &pb.Consistency{Hashes: record.HashesProto(p)})
	}
	for _, c := range x.Cosigned {
		m.Cosigned = append(m.Cosigned, &pb.CosignedHead{Head: c.Head, Consistency: &pb.Consistency{Hashes: record.HashesProto(c.Consistency)}})
	}
	for _, c := range x.Successions {
		m.Successions = append(m.Successions, &pb.Succession{Note: c.Note, Consistency: &pb.Consistency{Hashes: record.HashesProto(c.Consistency)}})
	}
	return m, nil
}

// AskHead asks a collector for its present head, and for the proofs that it only
// adds to the heads seen, signed notes. Nothing of the answer is checked but its
// shape. Its errors are those of Send.
func AskHead(ctx context.Context, conn grpc.ClientConnInterface, seen ...[]byte) (Extended, error) {
	return AskHeadSince(ctx, conn, "", seen...)
}

// AskHeadSince is AskHead that also asks which keys have followed a known one.
func AskHeadSince(ctx context.Context, conn grpc.ClientConnInterface, key string, seen ...[]byte) (Extended, error) {
	m, err := pb.NewDeliveryServiceClient(conn).GetHead(ctx, &pb.GetHeadRequest{Seen: seen, SinceKey: key})
	if err != nil {
		return Extended{}, explain(ctx, err)
	}
	x := Extended{VerifierKey: m.GetVerifierKey(), Head: m.GetHead()}
	for _, c := range m.GetConsistency() {
		p, e := record.HashesOf(c.GetHashes())
		x.Consistency, err = append(x.Consistency, p), errors.Join(err, e)
	}
	x.Instead = make([][]byte, len(seen))
	for i := range min(len(seen), len(m.GetInstead())) {
		if x.Instead[i] = m.GetInstead()[i]; len(x.Instead[i]) > mostNote {
			err = errors.New("a head instead of one seen is too long")
		}
	}
	for _, c := range m.GetCosigned()[:min(mostWitnesses, len(m.GetCosigned()))] {
		p, e := record.HashesOf(c.GetConsistency().GetHashes())
		if len(c.GetHead()) > mostNote {
			e = errors.New("a cosigned head is too long")
		}
		x.Cosigned, err = append(x.Cosigned, Cosigned{c.GetHead(), p}), errors.Join(err, e)
	}
	for _, s := range m.GetSuccessions()[:min(trail.MostSuccessions, len(m.GetSuccessions()))] {
		p, e := record.HashesOf(s.GetConsistency().GetHashes())
		if len(s.GetNote()) > mostNote {
			e = errors.New("a succession is too long")
		}
		x.Successions, err = append(x.Successions, Succession{s.GetNote(), p}), errors.Join(err, e)
	}
	switch {
	case err != nil:
	case len(x.Consistency) != len(seen):
		err = fmt.Errorf("%d proofs came for %d heads", len(x.Consistency), len(seen))
	case len(x.Head) > mostNote || len(x.VerifierKey) > mostKey:
		err = fmt.Errorf("a head of %d bytes came with a key of %d", len(x.Head), len(x.VerifierKey))
	}
	if err != nil {
		return Extended{}, fault.New("ask for the trail's head", "", fmt.Errorf("%w: its answer is not one: %w", ErrUnreachable, err))
	}
	return x, nil
}
