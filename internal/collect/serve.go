package collect

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"net"
	"path/filepath"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/internal/deliver"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/service"
	"witnessmark/internal/setup"
	"witnessmark/internal/trust"
)

// mapSize is address space, not memory: a growing archive need not wait for its
// readers to map it anew, nor copy all of a commit each time. On Windows it would be
// room on the disk.
func mapSize() int {
	if runtime.GOOS == "windows" {
		return 0
	}
	return 1 << 30
}

// Option says more of how a collector is served.
type Option func(*serving)

type serving struct {
	metrics    prometheus.Registerer
	limits     func() deliver.Limits
	reflection func() bool // whether beyond loopback; nil: nowhere
	daemon     *service.Daemon
	reload     func(context.Context) error
	authority  string
	gate       *gate // nil in process, which is the owner's
	floor      func() setup.Floor
	as         func() (trust.Identity, bool) // the witness that serves a copy to others; nil elsewhere
}

// WithFloor sets the room that the archive's disk must have left for deliveries to
// be taken; it is asked again for each. Without it setup.DefaultFloor holds.
func WithFloor(f func() setup.Floor) Option { return func(s *serving) { s.floor = f } }

// WithMetrics registers what the collector counts.
func WithMetrics(r prometheus.Registerer) Option { return func(s *serving) { s.metrics = r } }

// WithLimits bounds deliveries; each is held to what limits gives when it begins.
func WithLimits(limits func() deliver.Limits) Option { return func(s *serving) { s.limits = limits } }

// WithReflection answers gRPC reflection, to callers on loopback and, while beyond
// says so, to all.
func WithReflection(beyond func() bool) Option { return func(s *serving) { s.reflection = beyond } }

// WithDaemon tells the daemon once the collector serves. It is well as long as the
// archive answers.
func WithDaemon(d *service.Daemon, reload func(context.Context) error) Option {
	return func(s *serving) { s.daemon, s.reload = d, reload }
}

// WithAuthority has the site's own authority certify members: a PEM file with its
// certificate and its key. Without it the collector makes one in its folder.
func WithAuthority(file string) Option { return func(s *serving) { s.authority = file } }

// Serve keeps a collector on an address until ctx ends, and then stops within five
// seconds, whatever is under way: what was acknowledged is kept, and the rest the
// rigs send again. Whoever calls has to be a member. Ready is called with the
// address once it listens.
func Serve(ctx context.Context, dir, address string, log *slog.Logger, ready func(address string), opts ...Option) (err error) {
	with := serving{limits: func() deliver.Limits { return deliver.DefaultLimits }, floor: func() setup.Floor { return setup.DefaultFloor }}
	for _, o := range opts {
		o(&with)
	}
	c, err := open(dir, 2*time.Second, log)
	if err != nil {
		return err
	}
	ended := true
	defer func() { err = errors.Join(err, c.leave(ended)) }()
	if c.archive.ReadOnly() {
		return fault.New("serve", filepath.Join(dir, keyFile), fs.ErrNotExist).
			WithHint("without the key of the trail nothing can be signed; put it there from where it was kept; where it is lost for good: collector rekey --lost --why TEXT")
	}
	c.certifying.site = with.authority
	ended, err = c.listenAt(ctx, dir, address, ready, with)
	return err
}

// listenAt serves on an address until ctx ends, and says whether all calls ended.
func (c *Collector) listenAt(ctx context.Context, dir, address string, ready func(address string), with serving) (ended bool, err error) {
	authority, err := c.authority()
	if err != nil {
		return true, err
	}
	with.gate = c.gate(authority)
	if with.as != nil {
		if with.gate.copy, err = receptionOf(with.as, c.now); err != nil {
			return true, err
		}
	}
	c.room.floor = with.floor
	srv, health := c.server(with)
	if with.metrics != nil {
		if err := with.metrics.Register(c.metrics); err != nil {
			return true, fault.New("serve", "metrics", err)
		}
		defer with.metrics.Unregister(c.metrics)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return true, errors.Join(fault.New("serve", address, err).WithHint("another program may listen there; choose another port, or 0 for any"), with.gate.close())
	}
	failed, home := make(chan error, 2), l
	if with.gate.copy != nil {
		home = with.gate.copy.listener
		go func() { failed <- srv.Serve(c.door.watch(home)) }()
	}
	gone, err := c.leaveWord(ctx, authority, dialable(home.Addr()))
	if err != nil {
		return true, errors.Join(err, l.Close(), with.gate.close())
	}
	defer gone()
	go func() { failed <- srv.Serve(c.door.watch(l)) }()
	looking, enough := context.WithCancel(ctx)
	defer enough()
	go health.follow(looking)
	go c.lookOver(looking, scanEvery)
	go c.noteHeads(looking)
	ready(l.Addr().String())
	if with.daemon != nil {
		with.daemon.Ready("serving on "+l.Addr().String(), c.alive, with.reload)
	}
	select {
	case err = <-failed:
		err = fault.New("serve", address, err)
	case <-ctx.Done():
		c.log.Info("stopping")
	}
	health.Shutdown()
	defer c.refusals.end()
	return c.stopServing(srv), err
}

// leave writes down what is to be, and lets the archive go unless a call that did
// not end still uses it: closing would wait for it, and every commit is whole.
func (c *Collector) leave(ended bool) error {
	if ended {
		return c.close()
	}
	done := make(chan error, 1)
	go func() { done <- errors.Join(c.heads.note(c.archive, true), c.flushBeats()) }()
	select {
	case err := <-done:
		return err
	case <-time.After(flushFor):
		return nil
	}
}

// tell puts the address where Embedded looks for it, whole or not at all.
func tell(path, address string) error {
	if err := durable.WriteFile(filepath.Dir(path), filepath.Base(path), []byte(address+"\n")); err != nil {
		return fault.New("serve", path, err)
	}
	return nil
}
