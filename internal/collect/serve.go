package collect

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/internal/deliver"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// mapSize is address space, not memory: a growing archive need not wait for its
// readers to remap it. On Windows it would be room on the disk.
func mapSize() int {
	if runtime.GOOS == "windows" {
		return 0
	}
	return 1 << 30
}

// Option says more of how a collector is served.
type Option func(*serving)

type serving struct {
	metrics prometheus.Registerer
}

// WithMetrics registers what the collector counts.
func WithMetrics(r prometheus.Registerer) Option { return func(s *serving) { s.metrics = r } }

// Serve keeps a collector on a loopback address until ctx ends, then lets
// deliveries under way finish for a few seconds. Ready is called with the
// address once it listens.
func Serve(ctx context.Context, dir, address string, log *slog.Logger, ready func(address string), opts ...Option) (err error) {
	var with serving
	for _, o := range opts {
		o(&with)
	}
	if err := loopback(address); err != nil {
		return fault.New("serve", address, err).WithHint("use 127.0.0.1:PORT or [::1]:PORT")
	}
	c, err := open(dir, 2*time.Second, mapSize(), log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.close()) }()
	if c.archive.ReadOnly() {
		return fault.New("serve", filepath.Join(dir, keyFile), fs.ErrNotExist).
			WithHint("without the key of the trail nothing can be signed; put it there from where it was kept")
	}
	srv := c.Server(deliver.DefaultLimits)
	if with.metrics != nil {
		if err := with.metrics.Register(c.metrics); err != nil {
			return fault.New("serve", "metrics", err)
		}
		defer with.metrics.Unregister(c.metrics)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return fault.New("serve", address, err).WithHint("another program may listen there; choose another port, or 0 for any")
	}
	path := filepath.Join(dir, addressFile)
	if err := tell(path, l.Addr().String()); err != nil {
		return errors.Join(fault.New("serve", path, err), l.Close())
	}
	defer os.Remove(path)
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(c.door.watch(l)) }()
	ready(l.Addr().String())
	select {
	case err := <-failed:
		srv.Stop()
		return fault.New("serve", address, err)
	case <-ctx.Done():
	}
	c.Leave()
	stopped := make(chan struct{})
	go func() { srv.GracefulStop(); close(stopped) }()
	select {
	case <-stopped:
	case <-time.After(4 * time.Second):
		srv.Stop()
		<-stopped
	}
	return nil
}

// tell puts the address where Embedded looks for it, whole or not at all.
func tell(path, address string) error {
	return durable.WriteFile(filepath.Dir(path), filepath.Base(path), []byte(address+"\n"))
}
