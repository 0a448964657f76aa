package follow_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
	pb "witnessmark/proto/witnessmark/v1"
)

// TestDamageIsNoEvidence: what was damaged on the way convicts nobody, as long as the
// source can prove its heads; it is told, nothing of it is kept, and the truth is taken.
func TestDamageIsNoEvidence(t *testing.T) {
	for name, damage := range map[string]func(m *pb.FollowResponse){
		"a proof": func(m *pb.FollowResponse) {
			if h := m.GetBegin().GetConsistency().GetHashes(); len(h) > 0 {
				h[0][7] ^= 1
			}
		},
		"a hash that is none": func(m *pb.FollowResponse) {
			if h := m.GetBegin().GetConsistency().GetHashes(); len(h) > 0 {
				h[0] = h[0][1:]
			}
		},
		"an entry": func(m *pb.FollowResponse) {
			if l := m.GetEntry().GetLeaf(); m.GetEntry() != nil && m.GetEntry().GetRun() == nil {
				l[len(l)-1] ^= 1 // of its text, which nothing else binds
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c, runs := lab(t)
			f, a, seen := follower(t, c)
			if err := f.Follow(t.Context(), c); err != nil {
				t.Fatal(err)
			}
			before, _, _ := a.Head()
			run := labtest.NewRig("plover", labtest.Seeded(3)).Finish(labtest.Shape{Bare: true, Plain: true})
			if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
				t.Fatal(err)
			}
			retract(t, c, runs[2].ID)
			for range 2 {
				if err := f.Follow(t.Context(), liar{c, damage}); !errors.Is(err, follow.ErrUnreachable) {
					t.Errorf("%v", err)
				}
			}
			if h, _, _ := a.Head(); h != before {
				t.Errorf("it came to %v", h)
			}
			if open, err := seen.Open(); len(open) > 0 || err != nil {
				t.Errorf("%+v, %v", open, err)
			}
			if err := f.Follow(t.Context(), c); err != nil {
				t.Error(err)
			}
			equal(t, c, a)
		})
	}
}

// endless passes on all but the heads that end steps.
type endless struct{ *labtest.Collector }

func (e endless) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	st, err := e.Collector.NewStream(ctx, d, method, opts...)
	return headless{st}, err
}

type headless struct{ grpc.ClientStream }

func (h headless) RecvMsg(m any) error {
	for {
		err := h.ClientStream.RecvMsg(m)
		if r, ok := m.(*pb.FollowResponse); err != nil || !ok || r.GetHead() == nil {
			return err
		}
	}
}

// TestEndlessStep: a source that sends entries and never the head over them costs a
// follower so much memory and no more.
func TestEndlessStep(t *testing.T) {
	c := labtest.NewCollector(t)
	heron := labtest.NewRig("heron", labtest.Seeded(6))
	for range 14 {
		run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 900_000})
		if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
	}
	f, a, _ := follower(t, c)
	f.Limits = deliver.Limits{Record: 1 << 20, Parts: 1 << 20, Count: 8}
	if err := f.Follow(t.Context(), endless{c}); !errors.Is(err, follow.ErrUnreachable) || !strings.Contains(err.Error(), "bytes came without a head over them") {
		t.Error(err)
	}
	if h, _, _ := a.Head(); h.Size != 0 {
		t.Errorf("it came to %v", h)
	}
	if err := f.Follow(t.Context(), c); err != nil {
		t.Error(err)
	}
	equal(t, c, a)
}

// silent is a source that says nothing more after some answers to who follows it, or
// never answers about its head.
type silent struct {
	*labtest.Collector
	after int
	deaf  bool
}

func (s silent) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if _, ok := reply.(*pb.GetHeadResponse); ok && s.deaf {
		<-ctx.Done()
		return ctx.Err()
	}
	return s.Collector.Invoke(ctx, method, args, reply, opts...)
}

func (s silent) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	st, err := s.Collector.NewStream(ctx, d, method, opts...)
	return &hushed{st, s.after}, err
}

type hushed struct {
	grpc.ClientStream
	left int
}

func (h *hushed) RecvMsg(m any) error {
	if h.left--; h.left < 0 {
		<-h.Context().Done()
		return h.Context().Err()
	}
	return h.ClientStream.RecvMsg(m)
}

// TestSilentSource: who falls silent where it is his turn is told of and asked again;
// who has nothing new is waited for.
func TestSilentSource(t *testing.T) {
	c, _ := lab(t)
	f, a, seen := follower(t, c)
	f.Limits.Quiet = 300 * time.Millisecond
	for _, source := range []silent{{c, 100, true}, {c, 0, false}, {c, 2, false}, {c, 5, false}} {
		if err := f.Follow(t.Context(), source); !errors.Is(err, follow.ErrUnreachable) {
			t.Errorf("%+v: %v", source, err)
		}
	}
	if open, err := seen.Open(); len(open) > 0 || err != nil {
		t.Errorf("%+v, %v", open, err)
	}
	f.Limits.Quiet = time.Minute
	if err := f.Follow(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	f.Once, f.Limits.Quiet = false, time.Second
	ctx, stop := context.WithCancel(t.Context())
	met, ended := make(chan bool, 1), make(chan error, 1)
	f.Met = func() { met <- true }
	go func() { ended <- f.Follow(ctx, c) }()
	for waits := false; !waits; { // once it was met, which has to come in time on any machine
		select {
		case <-met:
			waits = true
		case err := <-ended:
			if f.Limits.Quiet *= 2; !errors.Is(err, follow.ErrUnreachable) || f.Limits.Quiet > time.Minute {
				t.Fatal(err)
			}
			go func() { ended <- f.Follow(ctx, c) }()
		}
	}
	select {
	case err := <-ended:
		t.Errorf("while there was nothing new: %v", err)
	case <-time.After(2 * f.Limits.Quiet):
	}
	equal(t, c, a)
	stop()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
