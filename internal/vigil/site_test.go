package vigil_test

import (
	"context"
	"crypto/rand"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/answer"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/spool"
	"witnessmark/internal/vigil"
	"witnessmark/internal/watch"
)

// site is a rig on a tree of its own with a collector that can be cut off.
type site struct {
	t      *testing.T
	tree   string
	state  string
	kept   *labtest.Collector
	cut    atomic.Bool
	denied atomic.Bool // there can be no connection, as when the certificates are not readable
	kernel chan struct{}
	rig    *labtest.Rig
	plan   *vigil.Plan
	log    *slog.Logger
}

const address = "127.0.0.1:7410" // never dialled

func newSite(t *testing.T, tree string) *site {
	s := &site{t: t, tree: t.TempDir(), state: filepath.Join(t.TempDir(), "state"), kept: labtest.NewCollector(t), kernel: make(chan struct{}, 1),
		rig: labtest.NewRig("heron", labtest.Rand(t)), log: labtest.Quiet()}
	if err := os.CopyFS(s.tree, os.DirFS("../../testdata/rigs/"+tree)); err != nil {
		t.Fatal(err)
	}
	s.plan = s.parse("collector = '" + address + "'\nrig = 'heron'\nsetup = 'heron.toml'\nbeat.every = '1s'\nfacts.every = '1h'\n")
	return s
}

// parse reads an agent file beside which the setup of heron lies.
func (s *site) parse(text string) *vigil.Plan {
	s.t.Helper()
	p, err := vigil.ReadPlan("agent.toml", func(name string) ([]byte, error) {
		switch name {
		case "agent.toml":
			return []byte(text), nil
		case "heron.toml":
			return os.ReadFile("../../testdata/setups/heron-rated.toml")
		}
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	})
	if err != nil {
		s.t.Fatal(err)
	}
	p.Name, p.Key = p.Rig, s.rig.Key
	return p
}

// Invoke and NewStream reach the collector, or do not.
func (s *site) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if s.cut.Load() {
		return status.Error(codes.Unavailable, "cut off")
	}
	return s.kept.Invoke(ctx, method, args, reply, opts...)
}

func (s *site) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if s.cut.Load() {
		return nil, status.Error(codes.Unavailable, "cut off")
	}
	return s.kept.NewStream(ctx, desc, method, opts...)
}

func (s *site) open() (*vigil.Vigil, error) {
	tree, err := probe.CapturedTree(s.tree)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { tree.Close() })
	live, err := probe.LiveTree()
	if err != nil {
		s.t.Fatal(err)
	}
	defer live.Close()
	clock, err := watch.LiveClock(live)
	if err != nil {
		s.t.Skip(err) // a machine without /proc
	}
	return vigil.Open(vigil.Options{
		Plan: s.plan, State: s.state, Version: "0.1.0", Played: "invented",
		Tree: tree, Clock: clock, Now: time.Now, Random: rand.Reader, Kernel: s.kernel, Log: s.log,
		Connect: func(context.Context, string) (*dispatch.Way, error) {
			if s.denied.Load() {
				return nil, errors.New("certificates: permission denied")
			}
			return &dispatch.Way{ClientConnInterface: s, Where: address, Close: func() error { return nil }}, nil
		},
	})
}

// run has a vigil at work until the test ends, or stop is called.
func (s *site) run() (v *vigil.Vigil, stop func()) {
	s.t.Helper()
	v, err := s.open()
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() { v.Run(ctx) })
	stop = func() { cancel(); ended.Wait() }
	s.t.Cleanup(stop)
	return v, stop
}

// until waits for what a busy machine may take its time for.
func (s *site) until(what string, met func() bool) {
	s.t.Helper()
	for end := time.Now().Add(3 * time.Minute); !met(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatal("never came about: " + what)
		}
	}
}

// beat is what the collector shows of the rig; nil before it heard of it.
func (s *site) beat() *answer.Beat {
	s.t.Helper()
	rigs, err := answer.NewClient(s.kept).Rigs(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	for _, r := range rigs {
		if r.Name == "heron" {
			return r.Beat
		}
	}
	return nil
}

func (s *site) set(pattern, text string) {
	s.t.Helper()
	names, err := filepath.Glob(filepath.Join(s.tree, pattern))
	if err != nil || len(names) == 0 {
		s.t.Fatalf("%s: %d files, %v", pattern, len(names), err)
	}
	for _, n := range names {
		if err := os.WriteFile(n, []byte(text), 0o644); err != nil {
			s.t.Fatal(err)
		}
	}
}

func (s *site) flagged(fact string) bool {
	b := s.beat()
	if b == nil {
		return false
	}
	for _, f := range b.Judgement.Flags {
		if string(f.Fact) == fact {
			return true
		}
	}
	return false
}

// put spools runs for the collector.
func (s *site) put(n int) (ids []string) {
	s.t.Helper()
	sp, err := spool.Open(filepath.Join(s.state, "spool"))
	if err != nil {
		s.t.Fatal(err)
	}
	for range n {
		run := s.rig.Finish(labtest.Shape{LogBytes: 2000})
		if err := sp.Put(run.Item(address), run.Openers()); err != nil {
			s.t.Fatal(err)
		}
		ids = append(ids, run.ID)
	}
	return ids
}
