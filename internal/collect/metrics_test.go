package collect_test

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// counted is a collector whose metrics can be looked at.
type counted struct {
	*collect.Collector
	conn *grpc.ClientConn
	reg  *prometheus.Registry
}

func newCounted(t testing.TB) *counted {
	c := newUnserved(t)
	c.conn = labtest.Connect(t, c.Server(deliver.DefaultLimits))
	return c
}

// newUnserved is one whose server is yet to be made.
func newUnserved(t testing.TB) *counted {
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), archive.Options{Key: labtest.Key(labtest.Seeded(7)), Origin: "collector.dome.example/trail", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	c := &counted{Collector: collect.New(a, time.Now, labtest.Quiet()), reg: prometheus.NewPedanticRegistry()}
	c.reg.MustRegister(c.Metrics())
	return c
}

// value gives a metric by its name without the prefix, and the values of its
// labels in the order of their names; 0 for one that was never counted.
func (c *counted) value(t testing.TB, name string, labels ...string) float64 {
	t.Helper()
	return metric(t, c.reg, name, labels...)
}

func metric(t testing.TB, from prometheus.Gatherer, name string, labels ...string) float64 {
	t.Helper()
	families, err := from.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() != "witnessmark_collector_"+name {
			continue
		}
		for _, m := range f.GetMetric() {
			var have []string
			for _, l := range m.GetLabel() {
				have = append(have, l.GetValue())
			}
			if slices.Equal(have, labels) {
				return m.GetCounter().GetValue() + m.GetGauge().GetValue()
			}
		}
	}
	return 0
}

// settles waits until a metric is as it must become: a call is counted when it
// ends, a little after its answer came.
func (c *counted) settles(t testing.TB, want float64, name string, labels ...string) {
	t.Helper()
	var got float64
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if got = c.value(t, name, labels...); got == want {
			return
		}
	}
	t.Errorf("%s%v is %v, not %v", name, labels, got, want)
}

func TestMetrics(t *testing.T) {
	c := newCounted(t)
	ctx := t.Context()
	if at := c.value(t, "last_commit_timestamp_seconds"); at != 0 {
		t.Errorf("committed at %v", at)
	}
	heron := labtest.NewRig("heron", labtest.Rand(t))
	run := heron.Finish(labtest.Shape{LogBytes: 10_000})
	before := float64(time.Now().Unix())
	var raised float64
	for range 3 {
		reply, err := deliver.Send(ctx, c.conn, run.Signed, run.Parts())
		if err != nil {
			t.Fatal(err)
		}
		raised = float64(len(reply.Judgement.Flags))
	}
	c.settles(t, 1, "deliveries_total", "kept")
	c.settles(t, 2, "deliveries_total", "known")
	c.settles(t, 3, "calls_total", "OK", "Deliver")
	c.settles(t, 0, "calls")
	c.settles(t, 1, "connections")
	if n := c.value(t, "trail_entries"); n < 1 || n > 2 { // the run's, and that of a setup
		t.Errorf("%v entries in the trail", n)
	}
	flags := 0.0
	families, err := c.reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "witnessmark_collector_flags_total" {
			for _, m := range f.GetMetric() {
				flags += m.GetCounter().GetValue()
			}
		}
	}
	if flags != raised {
		t.Errorf("%v flags counted, %v raised", flags, raised)
	}
	if at := c.value(t, "last_commit_timestamp_seconds"); at < before {
		t.Errorf("last commit at %v, before %v", at, before)
	}
	if n := c.value(t, "archive_bytes"); n < 10_000 {
		t.Errorf("an archive of %v bytes", n)
	}
	if n := c.value(t, "bytes_total", "received"); n < 3*float64(len(run.Signed.Bytes)) {
		t.Errorf("%v bytes received", n)
	}

	plover := labtest.NewBeating("plover")
	for range 2 {
		if err := plover.Send(ctx, c.conn); err != nil {
			t.Fatal(err)
		}
	}
	c.settles(t, 2, "beats_total", "heard")
	c.settles(t, 1, "rigs_heard")
	c.settles(t, 0, "rigs_silent")

	book := answer.NewClient(c.conn)
	if _, err := book.Check(ctx, func(where, what string) { t.Error(where, what) }, nil); err != nil {
		t.Fatal(err)
	}
	c.settles(t, 1, "checks_total")
	c.settles(t, 0, "check_findings")
	if _, err := book.Show(ctx, "none"); err == nil {
		t.Error("a run that is not there was shown")
	}
	c.settles(t, 1, "calls_total", "NotFound", "ShowRun")
	if n := c.value(t, "refusals_total", "malformed"); n != 0 {
		t.Errorf("%v refusals", n)
	}
}

// TestRefusalsAreCounted has calls refused before any handler of ours sees them.
func TestRefusalsAreCounted(t *testing.T) {
	c := newCounted(t)
	for _, x := range []struct {
		method, reason, label string
		message               []byte
		code                  codes.Code
	}{
		{"/witnessmark.v1.BeatService/Beat", "malformed", "Beat", []byte("a letter"), codes.Internal},
		{"/witnessmark.v1.BeatService/Beat", "too_large", "Beat", make([]byte, 1<<20), codes.ResourceExhausted},
		{"/witnessmark.v1.BeatService/Bite", "unknown_method", "unknown", nil, codes.Unimplemented},
		{"/of.somebody.else/Method", "unknown_method", "unknown", nil, codes.Unimplemented},
	} {
		before, calls := c.value(t, "refusals_total", x.reason), c.value(t, "calls_total", x.code.String(), x.label)
		var reply []byte
		err := c.conn.Invoke(context.Background(), x.method, x.message, &reply, grpc.ForceCodec(rawCodec{}))
		if status.Code(err) != x.code {
			t.Errorf("%s: %v", x.method, err)
		}
		c.settles(t, before+1, "refusals_total", x.reason)
		c.settles(t, calls+1, "calls_total", x.code.String(), x.label)
	}
}

// rawCodec sends bytes as they are.
type rawCodec struct{}

func (rawCodec) Marshal(v any) ([]byte, error) { return v.([]byte), nil }
func (rawCodec) Unmarshal(b []byte, v any) error {
	*v.(*[]byte) = b
	return nil
}
func (rawCodec) Name() string { return "proto" }
