package main

import (
	"cmp"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/setup"
)

// rules is what a served collector goes by: its file, and what the command line
// says beside it.
type rules struct {
	path      string // "" without a file
	listen    string // --listen; "" when it is not given
	data      string // --data
	authority string // --authority

	begun *setup.Collector // what the process was started with
	now   atomic.Pointer[setup.Collector]
	level slog.LevelVar
	log   *slog.Logger
}

// read reads the file, or gives what holds without one.
func (r *rules) read() (*setup.Collector, error) {
	c, err := setup.ParseCollector("", nil)
	if r.path != "" {
		b, bad := os.ReadFile(r.path)
		if bad != nil {
			return nil, fault.New("read collector file", r.path, bad).WithHint("deploy/collector.toml shows what it may say")
		}
		c, err = setup.ParseCollector(r.path, b)
	}
	if err != nil {
		return nil, err
	}
	c.Listen = cmp.Or(r.listen, c.Listen)
	c.Data = cmp.Or(r.data, r.beside(c.Data))
	c.Authority = cmp.Or(r.authority, r.beside(c.Authority))
	return c, nil
}

// beside gives a path of the file as it is meant, from the file's own folder.
func (r *rules) beside(path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(r.path), path)
}

// obey puts into force what may change while the collector serves.
func (r *rules) obey(c *setup.Collector) {
	if err := r.level.UnmarshalText([]byte(c.Level)); err != nil {
		panic(err) // the file's reader knows these words alone
	}
	r.now.Store(c)
}

// reload reads the file again.
func (r *rules) reload(context.Context) error {
	c, err := r.read()
	if err != nil {
		return err
	}
	if keys := fixed(r.begun, c); len(keys) > 0 {
		r.log.Warn("what the file says takes a restart", "keys", strings.Join(keys, ", "))
	}
	r.obey(c)
	return nil
}

// reloading is reload for a service that has a file.
func (r *rules) reloading() func(context.Context) error {
	if r.path == "" {
		return nil
	}
	return r.reload
}

// fixed names the keys that differ and hold from the start on.
func fixed(a, b *setup.Collector) (keys []string) {
	for _, k := range []struct {
		name    string
		differs bool
	}{
		{"listen", a.Listen != b.Listen},
		{"data", a.Data != b.Data},
		{"authority", a.Authority != b.Authority},
		{"log", a.Log != b.Log},
		{"metrics.listen", a.Metrics != b.Metrics},
		{"metrics.anywhere", a.MetricsAnywhere != b.MetricsAnywhere},
	} {
		if k.differs {
			keys = append(keys, k.name)
		}
	}
	return keys
}

func (r *rules) limits() deliver.Limits { return limitsOf(r.now.Load().Deliveries) }

func limitsOf(d setup.Deliveries) deliver.Limits {
	return deliver.Limits{Record: d.Record, Parts: d.Parts, Count: d.Count, InFlight: d.InFlight, Quiet: d.Quiet, Rate: d.Rate}
}

func (r *rules) floor() setup.Floor { return r.now.Load().Floor }

func (r *rules) reflection() bool { return r.now.Load().ReflectionAnywhere }
