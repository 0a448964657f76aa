package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"witnessmark/internal/collect"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/enrol"
	"witnessmark/internal/local"
	"witnessmark/internal/probe"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/service"
	"witnessmark/internal/spool"
	"witnessmark/internal/trust"
	"witnessmark/internal/vigil"
	"witnessmark/internal/watch"
)

func serveCommand(s *session) *cobra.Command {
	var config string
	cmd := &cobra.Command{
		Use:   "serve --config FILE",
		Short: "Be always on: sample, beat, and deliver until stopped",
		Long: `Be always on: sample the machine's signals, slowly while it is idle; read its
facts whenever they may have moved, and tell the collector at once; make runs of
the timing logs that turn up in folders; deliver what is spooled.

Prints the path of its socket as its one line of standard output, once it is at
work; everything else goes to standard error. SIGHUP has the file read again; when
something is wrong with it, what was in force stays. SIGTERM ends it; what was
sampled and spooled by then is on the disk.`,
		Example: "  agent serve --config /etc/witnessmark/agent.toml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !cmd.Flags().Changed("spool-limit") {
				s.spoolLimit = 0
			}
			return s.serve(cmd.Context(), config)
		},
	}
	cmd.Flags().StringVar(&config, "config", "", "the agent `FILE`; deploy/agent.toml shows what may be in it")
	cmd.MarkFlagRequired("config")
	s.rootFlag(cmd)
	return cmd
}

// modest has the runtime give memory back rather than collect seldom, and leaves
// the processors to the workload, unless the environment says otherwise.
func modest() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(30)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(256 << 20)
	}
	if os.Getenv("GOMAXPROCS") == "" {
		runtime.GOMAXPROCS(min(2, runtime.NumCPU()))
	}
}

// How soon after its start, and how often then, the agent gives memory back.
const (
	firstTrim = 10 * time.Second
	trimEvery = 5 * time.Minute
)

// slim keeps the agent small.
func slim(ctx context.Context) {
	for pause := firstTrim; ; pause = trimEvery {
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
			trim()
		}
	}
}

// serve opens what the agent works on, and waits. The context ends at a SIGHUP,
// too, which means something else here.
func (s *session) serve(ctx context.Context, config string) error {
	modest()
	if config != "" {
		if whole, err := filepath.Abs(config); err == nil {
			config = whole // whatever the folder is when it is read again
		}
	}
	c := &course{session: s, config: config, given: s.state}
	plan, err := c.read()
	if err != nil {
		return screen.Wrong(err)
	}
	s.state, c.plan = plan.State, plan
	o, closeTree, err := c.options()
	if err != nil {
		return err
	}
	defer closeTree()
	form := service.Form(plan.Log).On(s.stderr, os.Getenv)
	o.Log = service.NewLog(s.stderr, form, slog.LevelInfo)
	registry := service.NewRegistry()
	metrics := service.Metrics{Address: plan.Metrics, Beyond: plan.MetricsAnywhere, From: registry}
	early := ctx // ended by a signal that came before service.Run listened
	err = service.Run(context.WithoutCancel(ctx), service.Options{Log: o.Log, Getenv: os.Getenv, Metrics: metrics}, func(ctx context.Context, d *service.Daemon) error {
		if early.Err() != nil {
			return nil
		}
		if o.Kernel, err = vigil.KernelEvents(ctx); err != nil {
			o.Log.Warn("facts are read every so often only", service.Fault(err)...)
		}
		v, err := vigil.Open(o)
		if err != nil {
			return err
		}
		registry.MustRegister(vigilNumbers{v})
		var all sync.WaitGroup
		defer all.Wait()
		path := cmp.Or(plan.Socket, os.Getenv("WITNESSMARK_SOCKET"), filepath.Join(o.State, socketName))
		s.open(ctx, &all, v, path, plan.SocketGroup)
		fmt.Fprintln(s.stdout, path)
		d.Ready(watching(plan), v.Check, func(ctx context.Context) error {
			next, err := c.reload(ctx, v)
			if err == nil {
				d.Status(watching(next))
			}
			return err
		})
		all.Go(func() {
			c.follow(ctx, v, func(was, next *vigil.Plan) {
				if next.Name != was.Name {
					o.Log.Info("enrolled under another name, which holds from now on", "rig", next.Name)
				}
				if !next.Key.Equal(was.Key) {
					o.Log.Info("the rig has another key, which signs from now on", "key", record.Fingerprint(publicOf(next.Key)))
				}
				d.Status(watching(next))
			})
		})
		all.Go(func() { slim(ctx) })
		all.Go(func() { s.stayMember(ctx, o) })
		v.Run(ctx)
		return nil
	})
	if service.Ended(o.Log, form, err) {
		return screen.Exit(screen.Failed, nil)
	}
	return err
}

// socketAgain is how long the agent waits before it tries again to open its socket:
// one that is just ending may still have it.
const socketAgain = 5 * time.Second

// open answers at the socket for as long as the agent runs. Without it the agent
// does all else that it is there for.
func (s *session) open(ctx context.Context, all *sync.WaitGroup, v *vigil.Vigil, path, group string) {
	l, err := local.Listen(path, group)
	v.Trouble("socket", err)
	all.Go(func() {
		for err != nil {
			select {
			case <-ctx.Done():
				return
			case <-time.After(socketAgain):
			}
			l, err = local.Listen(path, group)
			v.Trouble("socket", err)
		}
		if err := local.Serve(ctx, l, v); err != nil {
			v.Trouble("socket", err)
		}
	})
}

// lasting reaches a destination for as long as the agent runs, which may be
// enrolled meanwhile.
func (s *session) lasting(ctx context.Context, destination string) (*dispatch.Way, error) {
	if destination == spool.Embedded {
		return s.way(ctx, destination)
	}
	dir, err := s.path("")
	if err != nil {
		return nil, err
	}
	c, err := collect.DialLasting(destination, dir)
	if err != nil {
		return nil, err
	}
	return &dispatch.Way{ClientConnInterface: c, Where: c.Where, Close: c.Close}, nil
}

// stayMember renews the rig's certificates for as long as the agent runs.
func (s *session) stayMember(ctx context.Context, o vigil.Options) {
	enrol.Keep(ctx, enrol.Keeping{
		Dir: collect.Certificates(o.State), Who: func() ([]trust.Identity, error) { return collect.Present(o.State) }, Now: time.Now, Log: o.Log,
		Connect: func(address string) (grpc.ClientConnInterface, func(), error) {
			conn, err := s.connect(ctx, address)
			if err != nil {
				return nil, nil, err
			}
			return conn, func() { conn.Close() }, nil
		},
	})
}

// options opens what a vigil works with, and names the rig.
func (c *course) options() (o vigil.Options, closeTree func(), err error) {
	tree, err := c.session.tree()
	if err != nil {
		return o, nil, err
	}
	c.tree = tree
	closeTree = func() { tree.Close() }
	defer func() {
		if err != nil {
			tree.Close()
		}
	}()
	o = vigil.Options{Plan: c.plan, Version: version, Tree: tree, Now: time.Now, Random: rand.Reader, Connect: c.lasting}
	clocks := tree
	if c.root != "" {
		o.Played = "the facts come from a captured tree, not from the machine that the agent runs on"
		if clocks, err = probe.LiveTree(); err != nil {
			return o, nil, err
		}
		defer clocks.Close()
	}
	if o.Clock, err = watch.LiveClock(clocks); err != nil {
		return o, nil, err
	}
	if err = c.identify(c.plan); err != nil {
		return o, nil, err
	}
	if o.State, err = c.path(""); err != nil {
		return o, nil, err
	}
	return o, closeTree, nil
}

// watching is what the service manager shows.
func watching(p *vigil.Plan) string {
	words := []string{"rig " + p.Name, "collector " + cmp.Or(p.Collector, "none: "+destinationText(spool.Embedded))}
	if p.Setup != nil {
		words = append(words, "setup "+p.Setup.Label)
	}
	return strings.Join(words, ", ")
}

// vigilNumbers are what /metrics tells of an agent beside its own process.
type vigilNumbers struct{ *vigil.Vigil }

var (
	numberBeats     = prometheus.NewDesc("witnessmark_agent_beats_total", "Beats sent, by whether the collector answered.", []string{"answered"}, nil)
	numberDelivered = prometheus.NewDesc("witnessmark_agent_runs_delivered_total", "Runs whose receipt holds and is kept.", nil, nil)
	numberTaken     = prometheus.NewDesc("witnessmark_agent_runs_taken_total", "Runs made of logs that were found.", nil, nil)
	numberWaiting   = prometheus.NewDesc("witnessmark_agent_runs_waiting", "Runs in the spool.", nil, nil)
	numberSpool     = prometheus.NewDesc("witnessmark_agent_spool_bytes", "Size of the runs in the spool.", nil, nil)
	numberTroubles  = prometheus.NewDesc("witnessmark_agent_troubles", "What the agent cannot do at present.", nil, nil)
	numberUnsigned  = prometheus.NewDesc("witnessmark_agent_runs_unwitnessed", "Runs that the collector has kept and too few witnesses have signed yet.", nil, nil)
	numberOverdue   = prometheus.NewDesc("witnessmark_agent_witnesses_overdue", "Witnesses that have not signed what waits for them in the time they are given.", nil, nil)
	numberUnread    = prometheus.NewDesc("witnessmark_agent_facts_unread", "Facts that could not be read.", nil, nil)
	numberSampled   = prometheus.NewDesc("witnessmark_agent_sample_age_seconds", "Time since signals were sampled.", nil, nil)
)

// Describe implements prometheus.Collector.
func (v vigilNumbers) Describe(to chan<- *prometheus.Desc) { prometheus.DescribeByCollect(v, to) }

// Collect implements prometheus.Collector.
func (v vigilNumbers) Collect(to chan<- prometheus.Metric) {
	s := v.Status()
	tell := func(d *prometheus.Desc, kind prometheus.ValueType, f float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, kind, f, labels...)
	}
	tell(numberBeats, prometheus.CounterValue, float64(s.BeatsAnswered), "yes")
	tell(numberBeats, prometheus.CounterValue, float64(s.BeatsUnanswered), "no")
	tell(numberDelivered, prometheus.CounterValue, float64(s.Delivered))
	tell(numberTaken, prometheus.CounterValue, float64(s.Taken))
	tell(numberWaiting, prometheus.GaugeValue, float64(s.Waiting.Runs))
	tell(numberSpool, prometheus.GaugeValue, float64(s.Waiting.Size))
	tell(numberTroubles, prometheus.GaugeValue, float64(len(s.Troubles)))
	unsigned, overdue := v.Witnesses()
	tell(numberUnsigned, prometheus.GaugeValue, float64(unsigned))
	tell(numberOverdue, prometheus.GaugeValue, float64(overdue))
	tell(numberUnread, prometheus.GaugeValue, float64(s.Unread))
	if s.Sampled >= 0 {
		tell(numberSampled, prometheus.GaugeValue, s.Sampled.Seconds())
	}
}
