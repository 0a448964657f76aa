package service

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/internal/fault"
)

// served runs a daemon with metrics and gives their address.
func served(t *testing.T, m Metrics) string {
	ctx, stop := context.WithCancel(context.Background())
	address, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- Run(ctx, Options{Log: (&lines{}).log(), Metrics: m}, func(ctx context.Context, d *Daemon) error {
			address <- d.Metrics()
			<-ctx.Done()
			return nil
		})
	}()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return <-address
}

func TestMetrics(t *testing.T) {
	r := NewRegistry()
	kept := prometheus.NewCounter(prometheus.CounterOpts{Name: "witnessmark_runs_kept_total", Help: "Runs that were kept."})
	r.MustRegister(kept)
	kept.Add(3)
	address := served(t, Metrics{Address: "127.0.0.1:0", From: r})
	get := func(method, path string) (int, string) {
		req, err := http.NewRequest(method, "http://"+address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		a, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		b, err := io.ReadAll(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		return a.StatusCode, string(b)
	}
	code, text := get("GET", "/metrics")
	if code != 200 || !strings.Contains(text, "\nwitnessmark_runs_kept_total 3\n") || !strings.Contains(text, "\ngo_goroutines ") {
		t.Errorf("code %d:\n%s", code, text)
	}
	for _, c := range []struct {
		method, path string
		want         int
	}{{"POST", "/metrics", 405}, {"GET", "/", 404}, {"GET", "/debug/pprof/", 404}} {
		if code, _ := get(c.method, c.path); code != c.want {
			t.Errorf("%s %s: code %d, want %d", c.method, c.path, code, c.want)
		}
	}
}

// TestMetricsBounds: a header without end is broken off.
func TestMetricsBounds(t *testing.T) {
	address := served(t, Metrics{Address: "127.0.0.1:0", From: NewRegistry()})
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	io.WriteString(conn, "GET /metrics HTTP/1.1\r\nHost: h\r\nX: "+strings.Repeat("x", 64<<10))
	line, err := bufio.NewReader(conn).ReadString('\n')
	if err == nil && !strings.Contains(line, " 431 ") {
		t.Errorf("answered %q", line)
	}
	if ne, ok := err.(net.Error); ok && ne.Timeout() {
		t.Error("64 KiB of header were taken, and more was waited for")
	}
}

func TestMetricsStayOnTheMachine(t *testing.T) {
	for _, c := range []struct{ address, why string }{
		{":0", "every network"}, {"0.0.0.0:0", "not a loopback address"}, {"heron.example:0", "not a loopback address"}, {"nonsense", "missing port"},
	} {
		err := Run(context.Background(), Options{Log: (&lines{}).log(), Metrics: Metrics{Address: c.address, From: NewRegistry()}},
			func(context.Context, *Daemon) error { t.Errorf("served metrics on %s", c.address); return nil })
		if err == nil || !strings.Contains(err.Error(), c.why) || fault.HintOf(err) == "" {
			t.Errorf("%s: %v, hint %q", c.address, err, fault.HintOf(err))
		}
	}
	if a := served(t, Metrics{Address: "0.0.0.0:0", Beyond: true, From: NewRegistry()}); a == "" {
		t.Error("not served where it is allowed")
	}
	if a := served(t, Metrics{}); a != "" {
		t.Errorf("served on %s without being asked to", a)
	}
}
