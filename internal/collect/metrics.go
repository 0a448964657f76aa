package collect

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/status"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
)

// Metrics counts what a collector does. It is a prometheus.Collector: register it
// with the registry that is shown. Its methods may be called at the same time.
type Metrics struct {
	deliveries, refusals, beats, calls, bytes, flags *prometheus.CounterVec
	checks                                           prometheus.Counter
	connections, streams, findings                   prometheus.Gauge
	sources                                          []prometheus.Collector // read when they are asked for
	committed                                        atomic.Int64           // unix nanoseconds; 0 when not known
}

// The outcomes of a delivery and of a beat.
const (
	keptNow      = "kept"
	knownAlready = "known"
	heardBeat    = "heard"
	askedWhole   = "asked" // for whole facts
)

func counters(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: metricSpace, Name: name, Help: help}, labels)
}

func gauge(name, help string) prometheus.Gauge {
	return prometheus.NewGauge(prometheus.GaugeOpts{Namespace: metricSpace, Name: name, Help: help})
}

const metricSpace = "witnessmark_collector"

func newMetrics() *Metrics {
	m := &Metrics{
		deliveries:  counters("deliveries_total", "Deliveries that were acknowledged, by whether the record was kept now or known already.", "outcome"),
		refusals:    counters("refusals_total", "What was not taken, by reason.", "reason"),
		beats:       counters("beats_total", "Beats that came, by whether they were heard or whole facts asked for.", "outcome"),
		calls:       counters("calls_total", "Calls that ended, by method and status.", "method", "code"),
		bytes:       counters("bytes_total", "Bytes of messages, received and sent.", "direction"),
		flags:       counters("flags_total", "Flags raised on kept runs, by kind and weight.", "kind", "weight"),
		checks:      prometheus.NewCounter(prometheus.CounterOpts{Namespace: metricSpace, Name: "checks_total", Help: "Examinations of the archive that came to their end."}),
		connections: gauge("connections", "Open connections."),
		streams:     gauge("calls", "Calls under way."),
		findings:    gauge("check_findings", "What the last examination of the archive found wrong."),
	}
	m.read("last_commit_timestamp_seconds", "When the archive was last written to, in seconds since 1970; 0 when not known.", func() float64 {
		return float64(m.committed.Load()) / 1e9
	})
	return m
}

// read adds a gauge that is read when it is asked for.
func (m *Metrics) read(name, help string, f func() float64) {
	m.sources = append(m.sources, prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: metricSpace, Name: name, Help: help}, f))
}

// Metrics gives what the collector counts.
func (c *Collector) Metrics() *Metrics { return c.metrics }

// watchArchive adds what is read from the archive.
func (c *Collector) watchArchive() {
	c.metrics.read("archive_bytes", "Size of the archive's file.", func() float64 { return float64(c.archive.Size()) })
	c.metrics.read("trail_entries", "Entries in the trail.", func() float64 {
		h, _, err := c.archive.Head()
		if err != nil {
			return -1
		}
		return float64(h.Size)
	})
	c.metrics.read("free_bytes", "Room on the disk of the archive; -1 when not known.", func() float64 {
		s, err := c.room.look(0, 0)
		if err != nil {
			return -1
		}
		return float64(s.Free)
	})
	c.metrics.read("refusing", "1 while no deliveries are taken, else 0.", func() float64 {
		if s, _ := c.State(context.Background()); s.Refusing != "" {
			return 1
		}
		return 0
	})
	c.metrics.read("held_bytes", "Bytes held for deliveries under way.", func() float64 {
		if c.held == nil {
			return 0
		}
		return float64(c.held())
	})
	c.metrics.read("rigs_heard", "Rigs whose beats are known.", func() float64 { n, _ := c.countRigs(); return float64(n) })
	c.metrics.read("rigs_silent", "Of those, rigs that have missed several beats.", func() float64 { _, n := c.countRigs(); return float64(n) })
}

func (m *Metrics) all() []prometheus.Collector {
	return append([]prometheus.Collector{m.deliveries, m.refusals, m.beats, m.calls, m.bytes, m.flags, m.checks, m.connections, m.streams, m.findings}, m.sources...)
}

// Describe implements prometheus.Collector.
func (m *Metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, c := range m.all() {
		c.Describe(ch)
	}
}

// Collect implements prometheus.Collector.
func (m *Metrics) Collect(ch chan<- prometheus.Metric) {
	for _, c := range m.all() {
		c.Collect(ch)
	}
}

// Refused counts something that was not taken. The reason is one of few fixed
// words, never anything that came from outside.
func (m *Metrics) Refused(reason string) { m.refusals.WithLabelValues(reason).Inc() }

func (m *Metrics) wrote(at time.Time) { m.committed.Store(at.UnixNano()) }

func (m *Metrics) raised(flags []drift.Flag) {
	for _, f := range flags {
		m.flags.WithLabelValues(string(f.Kind), f.Weight.String()).Inc()
	}
}

func (m *Metrics) checked(findings int) {
	m.checks.Inc()
	m.findings.Set(float64(findings))
}

// refusalOf gives the reason to count for a call's error; "" when nothing was
// refused. Errors that know it say it by a method Refusal.
func refusalOf(err error) string {
	var r interface{ Refusal() string }
	if errors.As(err, &r) {
		return r.Refusal()
	}
	switch st := status.Convert(err); st.Code() {
	case codes.InvalidArgument:
		return deliver.Malformed
	case codes.Internal:
		if strings.HasPrefix(st.Message(), "grpc: ") { // what came is no message
			return deliver.Malformed
		}
	case codes.ResourceExhausted:
		return deliver.TooLarge
	case codes.Unimplemented:
		return "unknown_method"
	case codes.PermissionDenied, codes.Unauthenticated:
		return "not_allowed"
	case codes.FailedPrecondition:
		return deliver.Conflict
	case codes.Unavailable:
		return "unavailable"
	}
	return ""
}

// meter follows a server's calls and connections.
type meter struct {
	*Metrics
	door *door
}

// call is what is remembered of one that is under way.
type call struct {
	method string
	over   chan struct{} // closed at its end
}

type callKey struct{}

func (meter) TagRPC(ctx context.Context, i *stats.RPCTagInfo) context.Context {
	return context.WithValue(ctx, callKey{}, &call{i.FullMethodName, make(chan struct{})})
}

func (meter) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context { return ctx }

func (m meter) HandleConn(_ context.Context, s stats.ConnStats) {
	switch s.(type) {
	case *stats.ConnBegin:
		m.connections.Inc()
	case *stats.ConnEnd:
		m.connections.Dec()
	}
}

func (m meter) HandleRPC(ctx context.Context, s stats.RPCStats) {
	switch s := s.(type) {
	case *stats.Begin: // who sees it counted finds the bounds hold it already
		m.door.count(ctx, 1)
		m.streams.Inc()
	case *stats.InPayload:
		m.bytes.WithLabelValues("received").Add(float64(s.WireLength))
	case *stats.OutPayload:
		m.bytes.WithLabelValues("sent").Add(float64(s.WireLength))
	case *stats.End:
		m.door.count(ctx, -1)
		m.streams.Dec()
		c := ctx.Value(callKey{}).(*call)
		close(c.over)
		m.ended(c.method, s.Error)
	}
}

// ended counts a call. A method that is none of ours has no name: names come
// from outside, and each would stay.
func (m meter) ended(full string, err error) {
	method := full[strings.LastIndexByte(full, '/')+1:]
	code := status.Code(err)
	if code == codes.Unimplemented {
		method = "unknown"
	}
	m.calls.WithLabelValues(method, code.String()).Inc()
	if reason := refusalOf(err); reason != "" {
		m.Refused(reason)
	}
}
