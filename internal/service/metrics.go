package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/net/netutil"

	"witnessmark/internal/fault"
)

// Metrics says where /metrics is served in the text format of Prometheus, and of
// what. It tells names of rigs and how much they deliver, unencrypted and to
// whoever asks, so an address other than loopback must be allowed.
type Metrics struct {
	Address string // HOST:PORT; "" for nowhere
	Beyond  bool   // also on an address that is not loopback
	From    prometheus.Gatherer
}

const (
	metricsConnections = 16
	metricsAtOnce      = 4
	metricsPatience    = 10 * time.Second // for a request, its answer, and idle in between
	metricsHeader      = 8 << 10          // bytes
)

// NewRegistry gives a registry that has what the process itself costs.
func NewRegistry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

// Loopback refuses an address whose host is not one of this machine only. A name
// other than localhost is not looked up: it may lead elsewhere tomorrow.
func Loopback(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return err
	}
	if host == "" {
		return errors.New("without a host it means every network of this machine")
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("%s is not a loopback address", host)
	}
	return nil
}

// listen opens the listener; nil when there is to be none.
func (m Metrics) listen() (net.Listener, error) {
	if m.Address == "" {
		return nil, nil
	}
	if !m.Beyond {
		if err := Loopback(m.Address); err != nil {
			return nil, fault.New("serve metrics", m.Address, err).
				WithHint("use 127.0.0.1:PORT or [::1]:PORT, or allow metrics beyond this machine in the service's file")
		}
	}
	l, err := net.Listen("tcp", m.Address)
	if err != nil {
		return nil, fault.New("serve metrics", m.Address, err).WithHint("another program may listen there; choose another port")
	}
	return l, nil
}

// serve answers on l until ctx ends.
func (m Metrics) serve(ctx context.Context, l net.Listener, log *slog.Logger) {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.From, promhttp.HandlerOpts{
		MaxRequestsInFlight: metricsAtOnce, Timeout: metricsPatience, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}))
	srv := &http.Server{
		Handler: mux, MaxHeaderBytes: metricsHeader,
		ReadTimeout: metricsPatience, WriteTimeout: 2 * metricsPatience, IdleTimeout: metricsPatience,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	stop := context.AfterFunc(ctx, func() { srv.Close() })
	defer stop()
	if err := srv.Serve(netutil.LimitListener(l, metricsConnections)); !errors.Is(err, http.ErrServerClosed) {
		log.Error("metrics are served no longer", "address", m.Address, "error", err)
	}
}
