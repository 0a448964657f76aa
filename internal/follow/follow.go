package follow

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// ErrUnreachable is returned when the source does not answer, or no more.
var ErrUnreachable = errors.New("the collector that is followed does not answer")

// Copy is where a follower keeps what it copies.
type Copy interface {
	Head() (trail.Head, []byte, error)
	Adopt(head []byte, entries []archive.Adopting) error
	// Line is the keys of the trail, and Announce takes those that follow.
	Line() (trail.Line, error)
	Announce(successions ...[]byte) error
}

// Follower copies one source.
type Follower struct {
	Source  string // its address, for people
	Copy    Copy
	Auditor *audit.Auditor
	Limits  deliver.Limits // of a record and its files
	// Met is called once the source's trail was found to be the one that was copied, and
	// the first step went through or nothing is left to copy.
	Met func()
	// Step is called after each step with the head come to, and how large the source's
	// trail is known to be.
	Step func(now trail.Head, of int64)
	// Once ends Follow without an error once the source has no more.
	Once bool
}

// Beginning is what a new copy begins with.
type Beginning struct {
	Line        trail.Line // the keys of the source's trail
	Successions [][]byte   // of those, signed notes
	Empty       []byte     // the signed head over nothing
}

// Ask gives what a new copy of a source begins with.
func Ask(ctx context.Context, conn grpc.ClientConnInterface, source string) (out Beginning, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	_, b, err := open(ctx, conn, source, nil, "")
	if err != nil {
		return out, err
	}
	out.Successions, out.Empty = successions(b), b.GetEmpty()
	first := b.GetVerifierKey()
	if len(out.Successions) > 0 {
		s, err := trail.OpenSuccession(out.Successions[0])
		if err != nil {
			return out, fault.New("follow", "", err)
		}
		first = s.Old
	}
	if out.Line, err = trail.NewLine(first); err == nil {
		out.Line, _, err = out.Line.Walk(out.Successions...)
	}
	if err == nil && out.Line.Present() != b.GetVerifierKey() {
		err = trail.ErrNotInLine
	}
	if err != nil {
		return out, fault.New("follow", "", err)
	}
	return out, nil
}

func successions(b *pb.FollowBegin) (notes [][]byte) {
	for _, s := range b.GetSuccessions() {
		notes = append(notes, s.GetNote())
	}
	return notes
}

type incoming = grpc.ServerStreamingClient[pb.FollowResponse]

func open(ctx context.Context, conn grpc.ClientConnInterface, source string, head []byte, since string) (incoming, *pb.FollowBegin, error) {
	st, err := pb.NewFollowServiceClient(conn).Follow(ctx, &pb.FollowRequest{Head: head, SinceKey: since})
	if err != nil {
		return nil, nil, explain(ctx, source, err)
	}
	m, err := st.Recv()
	if err != nil {
		return nil, nil, explain(ctx, source, err)
	}
	b := m.GetBegin()
	if b == nil || len(b.GetHead()) > mostNote || len(b.GetEmpty()) > mostNote || len(b.GetVerifierKey()) > mostKey || len(b.GetSuccessions()) > trail.MostSuccessions {
		return nil, nil, fault.New("follow", source, fmt.Errorf("%w: its answer is not one", ErrUnreachable))
	}
	return st, b, nil
}

// Follow copies over one connection until it breaks, the context ends or, with
// Once, nothing is left to copy. An error that wraps audit.ErrAlarm says that the
// source's trail is not the one that was copied; it is then to be copied no more.
func (f *Follower) Follow(ctx context.Context, conn grpc.ClientConnInterface) (err error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	own, signed, err := f.Copy.Head()
	if err == nil && own.Size > 0 {
		err = f.Auditor.Saw(f.Source, signed) // else the source need not add to it
	}
	if err != nil {
		return err
	}
	source, err := f.meet(ctx, conn)
	if err != nil {
		return err
	}
	defer func() {
		now, signed, e := f.Copy.Head()
		if e == nil && now != own {
			e = f.Auditor.Saw(f.Source, signed)
		}
		if e != nil {
			err = errors.Join(err, e)
		}
	}()
	known, err := f.Copy.Line()
	if err != nil {
		return err
	}
	late := time.AfterFunc(f.quiet(), func() { cancel(f.late()) })
	defer late.Stop()
	stream, b, err := open(ctx, conn, f.Source, signed, known.Present())
	if err != nil {
		return err
	}
	late.Stop()
	st := timed{stream, late, f.quiet()}
	if b.GetVerifierKey() != known.Present() { // which the auditor has found to follow the one that is known
		if err := f.Copy.Announce(successions(b)...); err != nil {
			return err
		}
		if known, err = f.Copy.Line(); err != nil {
			return err
		}
	}
	now, err := trail.OpenHead(b.GetHead(), known)
	if err != nil {
		return fault.New("follow", f.Source, fmt.Errorf("%w: %w", ErrUnreachable, err))
	}
	proof, err := record.HashesOf(b.GetConsistency().GetHashes())
	if err == nil {
		err = trail.CheckConsistency(own, now, proof)
	}
	if err != nil {
		return f.doubt(ctx, source, signed, b.GetHead(), err)
	}
	for begun := false; ; {
		head, _, err := f.Copy.Head()
		if err != nil {
			return err
		}
		if !begun && (head != own || head.Size >= now.Size) {
			begun = true
			if f.Met != nil {
				f.Met()
			}
		}
		if f.Once && head.Size >= now.Size {
			return nil
		}
		if err := f.step(ctx, source, conn, st, known, now.Size); err != nil {
			return err
		}
	}
}

// step takes entries up to the head that is signed over them, and adopts them.
func (f *Follower) step(ctx context.Context, source *audit.Trail, conn grpc.ClientConnInterface, st timed, known trail.Line, of int64) error {
	head, signed, err := f.Copy.Head()
	if err != nil {
		return err
	}
	var batch []archive.Adopting
	var bytes int64
	next := st.incoming.Recv // there may be nothing new for long
	for {
		m, err := next()
		next = st.Recv
		if err != nil {
			return explain(ctx, f.Source, err)
		}
		switch {
		case m.GetEntry() != nil && len(batch) < mostStep:
			e, err := f.receive(ctx, st, m.GetEntry())
			if err != nil {
				return err
			}
			adopting, err := e.Check(known)
			if isUnknownKey(err) && f.moved(ctx, conn, known) {
				return errMoved
			}
			if err != nil {
				return fault.New("follow", f.Source, fmt.Errorf("entry %d of its trail, a %v of %s: %w: %w", head.Size+int64(len(batch)), e.Entry.Kind, e.Entry.Subject, ErrDoubt, err)).
					WithHint("nothing of it is kept; tell the keeper of that collector, and let it run: collector check")
			}
			if bytes += e.bytes(); bytes > mostBytes(f.Limits) {
				return fault.New("follow", f.Source, fmt.Errorf("%w: more than %d bytes came without a head over them", ErrUnreachable, mostBytes(f.Limits)))
			}
			batch = append(batch, adopting)
			continue
		case m.GetHead() != nil && len(m.GetHead()) <= mostNote:
		default:
			return fault.New("follow", f.Source, fmt.Errorf("%w: an answer that does not belong there", ErrUnreachable))
		}
		err = f.Copy.Adopt(m.GetHead(), batch)
		if isUnknownKey(err) && f.moved(ctx, conn, known) {
			return errMoved
		}
		if errors.Is(err, archive.ErrDiffers) {
			return f.doubt(ctx, source, signed, m.GetHead(), archive.ErrDiffers)
		}
		if err != nil {
			return err
		}
		now, err := trail.OpenHead(m.GetHead(), known)
		if err == nil && f.Step != nil {
			f.Step(now, max(of, now.Size))
		}
		return err
	}
}

// errMoved is returned when the key of the source's trail has changed meanwhile: the
// copy goes on over a new connection, which asks for what follows.
var errMoved = fault.New("follow", "", fmt.Errorf("%w: the key of its trail has changed", ErrUnreachable))

// moved says whether the source signs with another key than the copy knows.
func (f *Follower) moved(ctx context.Context, conn grpc.ClientConnInterface, known trail.Line) bool {
	x, err := deliver.AskHead(ctx, conn)
	return err == nil && x.VerifierKey != known.Present()
}

func isUnknownKey(err error) bool {
	var nobody *note.UnverifiedNoteError
	return errors.As(err, &nobody)
}

// ErrTooLarge is returned for an entry that brings more than the limits let it.
var ErrTooLarge = errors.New("too much comes with an entry of its trail")

// ErrDoubt is returned for an entry that came with other bytes than it binds.
var ErrDoubt = errors.New("what came with it is not what it binds")

// mostStep is how many entries a step may have: those that commit at the same time
// come in one.
const mostStep = 4 * stepEntries

// mostBytes is what a step may hold: the entry that ends one may be as large as one
// can be, and all that a collector has in memory at once may commit together.
func mostBytes(l deliver.Limits) int64 { return stepBytes + l.Record + l.Parts + l.InFlight }

// bytes is what came with the entry.
func (e Entry) bytes() (n int64) {
	n = int64(len(e.Leaf) + len(e.Content))
	for _, g := range e.GivenUp {
		n += int64(len(g))
	}
	if r := e.Run; r != nil {
		n += int64(len(r.Signed.Bytes) + len(r.Summary))
		for _, p := range r.Parts {
			n += int64(len(p))
		}
	}
	return n
}

// receive takes the bytes that an entry announces.
func (f *Follower) receive(ctx context.Context, st timed, m *pb.CopiedEntry) (e Entry, err error) {
	fail := func(err error) (Entry, error) {
		return e, fault.New("follow", f.Source, fmt.Errorf("%w: %w", ErrUnreachable, err))
	}
	e.Leaf, e.GivenUp = m.GetLeaf(), m.GetGivenUp()
	if e.Entry, err = trail.ParseEntry(e.Leaf); err != nil {
		return fail(err)
	}
	sizes := []uint64{m.GetContentSize()}
	r := m.GetRun()
	if r != nil {
		sizes = append([]uint64{r.GetRecordSize()}, r.GetPartSizes()...)
	}
	var parts uint64
	for i, n := range sizes {
		if i > 0 {
			parts += n
		}
		if n > uint64(f.Limits.Record) && i == 0 || n > uint64(f.Limits.Parts) || parts > uint64(f.Limits.Parts) || i > f.Limits.Count {
			return e, fault.New("follow", f.Source, fmt.Errorf("%w: run %s is larger than is taken here", ErrTooLarge, e.Entry.Subject)).
				WithHint("where that collector is meant to take such runs, let the copy do so, too: --largest SIZE")
		}
	}
	var data [][]byte
	for _, n := range sizes {
		b, err := f.take(ctx, st, n)
		if err != nil {
			return e, err
		}
		data = append(data, b)
	}
	if r == nil {
		e.Content = data[0]
		return e, nil
	}
	e.Run = &Run{Signed: record.Signed{Bytes: data[0], PublicKey: r.GetPublicKey(), Signature: r.GetSignature()}, Parts: data[1:], Summary: r.GetSummary()}
	if e.Run.Receipt, err = record.ReceiptOf(r.GetReceipt()); err != nil {
		return fail(err)
	}
	if e.Run.Receipt.Proof == nil {
		e.Run.Receipt.Proof = []trail.Hash{} // of the first entry; as it was issued
	}
	return e, nil
}

// take reads n bytes in the chunks in which they come; memory grows with what came,
// not with what was announced.
func (f *Follower) take(ctx context.Context, st timed, n uint64) (b []byte, err error) {
	for uint64(len(b)) < n {
		m, err := st.Recv()
		if err != nil {
			return nil, explain(ctx, f.Source, err)
		}
		if len(m.GetData()) == 0 || uint64(len(b)+len(m.GetData())) > n {
			return nil, fault.New("follow", f.Source, fmt.Errorf("%w: %d bytes were announced, and others came", ErrUnreachable, n))
		}
		b = append(b, m.GetData()...)
	}
	return b, nil
}

// Cosign brings a head that a witness signed to the source.
func Cosign(ctx context.Context, conn grpc.ClientConnInterface, key string, head []byte) error {
	_, err := pb.NewFollowServiceClient(conn).Cosign(ctx, &pb.CosignRequest{Head: head, WitnessKey: key})
	if err != nil {
		return explain(ctx, "", err)
	}
	return nil
}

// notAllowed is the hint for who may not follow.
const notAllowed = "log in as a witness of that collector: collector login --collector HOST:PORT --token TOKEN; a keeper makes one with: collector token --witness NAME"

// notReached is the hint for a source that does not answer.
const notReached = "the copy stays as it is; is the collector running, and is the address right?"

func explain(ctx context.Context, source string, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if errors.Is(err, io.EOF) {
		return fault.New("follow", source, fmt.Errorf("%w: it said no more", ErrUnreachable))
	}
	st := status.Convert(err)
	msg, hint, _ := strings.Cut(st.Message(), hintLine)
	switch st.Code() {
	case codes.PermissionDenied, codes.Unauthenticated:
		if hint == "" {
			hint = notAllowed
		}
		fallthrough
	case codes.FailedPrecondition:
		return fault.New("follow", source, fmt.Errorf("%w: %s", ErrRefused, msg)).WithHint(hint)
	case codes.Unimplemented:
		return fault.New("follow", source, fmt.Errorf("%w: it cannot be followed", ErrRefused)).WithHint("use programs of one version on both ends")
	}
	return fault.New("follow", source, fmt.Errorf("%w: %s", ErrUnreachable, fault.Network(msg))).WithHint(cmp.Or(hint, notReached))
}
