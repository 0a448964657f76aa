package deliver_test

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/connectivity"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/stats"

	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// stalling is a connection that comes to take no more bytes, and then breaks.
type stalling struct {
	net.Conn
	stalls, breaks chan struct{} // closed for it
	stuck          func()        // told that something waits to be written
}

func (s *stalling) Write(b []byte) (int, error) {
	select {
	case <-s.stalls:
		s.stuck()
		<-s.breaks
		return 0, net.ErrClosed
	default:
		return s.Conn.Write(b)
	}
}

// connEnds is told when a connection has ended and all that was under way over it.
type connEnds func()

func (connEnds) TagRPC(ctx context.Context, _ *stats.RPCTagInfo) context.Context   { return ctx }
func (connEnds) HandleRPC(context.Context, stats.RPCStats)                         {}
func (connEnds) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context { return ctx }
func (f connEnds) HandleConn(_ context.Context, s stats.ConnStats) {
	if _, ok := s.(*stats.ConnEnd); ok {
		f()
	}
}

// TestCutBeforeItBegins cuts a connection over which a delivery was begun, before any of
// it has left. That it goes on over another connection with what had been sent by then,
// and ends there, is what the collector refuses for good.
func TestCutBeforeItBegins(t *testing.T) {
	k := &taker{}
	srv := grpc.NewServer()
	deliver.Register(srv, k, func() deliver.Limits { return deliver.DefaultLimits })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go srv.Serve(l)
	defer srv.Stop()

	waits, ended := make(chan struct{}), make(chan struct{})
	first := &stalling{stalls: make(chan struct{}), breaks: make(chan struct{}), stuck: sync.OnceFunc(func() { close(waits) })}
	dial := func(ctx context.Context, address string) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
		if err == nil && first.Conn == nil {
			first.Conn = c
			return first, nil
		}
		return c, err
	}
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(dial), grpc.WithStatsHandler(connEnds(sync.OnceFunc(func() { close(ended) }))))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := deliver.AskHead(t.Context(), conn); err != nil {
		t.Fatal(err)
	}
	close(first.stalls)
	var other sync.WaitGroup
	defer other.Wait()
	other.Go(func() { deliver.AskHead(t.Context(), conn) }) // behind which the delivery waits
	<-waits

	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{LogBytes: 300 << 10, Plain: true})
	parts := run.Parts()
	open := parts[0].Open
	parts[0].Open = func() (io.ReadCloser, error) { // once the record was sent
		first.Close()
		conn.WaitForStateChange(t.Context(), connectivity.Ready) // it was noticed
		close(first.breaks)
		<-ended
		return open()
	}
	if _, err := deliver.Send(t.Context(), conn, run.Signed, parts); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("cut: %v", err)
	}
	if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts()); err != nil || k.count() != 1 {
		t.Errorf("sent again: %v, %d are kept", err, k.count())
	}
}
