package collect_test

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/connectivity"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// street is a collector on the network whose waiting is measured by the test's
// clock, and an honest rig beside whatever else comes along.
type street struct {
	*counted
	address string
	clock   *labtest.Clock
	honest  *labtest.Rig
	beating *labtest.Beating
}

func newStreet(t *testing.T, a collect.Allowed) *street {
	s := &street{counted: newUnserved(t), clock: labtest.NewClock(), honest: labtest.NewRig("heron", labtest.Rand(t)), beating: labtest.NewBeating("heron")}
	a.Clock = s.clock
	s.Allow(a)
	limits := deliver.DefaultLimits
	limits.Clock = s.clock
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.address = l.Addr().String()
	srv := s.Server(limits)
	go srv.Serve(s.Watch(l))
	t.Cleanup(srv.Stop)
	s.conn = s.from(t, "127.0.0.1")
	insist(t, "be through the handshake", func(ctx context.Context) error { // however short its time is
		_, err := deliver.AskHead(ctx, s.conn)
		return err
	})
	s.settles(t, 0, "calls")
	return s
}

// from gives a connection of its own from an address of this machine.
func (s *street) from(t testing.TB, host string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient("passthrough:///"+s.address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, address string) (net.Conn, error) {
			return (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(host)}}).DialContext(ctx, "tcp", address)
		}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	conn.Connect()
	for at := conn.GetState(); at != connectivity.Ready; at = conn.GetState() {
		if !conn.WaitForStateChange(t.Context(), at) {
			t.Fatal("no connection: ", at)
		}
		if at == connectivity.TransientFailure {
			conn.ResetConnectBackoff()
		}
	}
	return conn
}

// others has an honest rig deliver and beat, over a connection of its own.
func (s *street) others(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	run := s.honest.Finish(labtest.Shape{LogBytes: 20_000})
	if _, err := deliver.Send(ctx, s.conn, run.Signed, run.Parts()); err != nil {
		t.Errorf("an honest rig cannot deliver meanwhile: %v", err)
	}
	if err := s.beating.Send(ctx, s.conn); err != nil {
		t.Errorf("an honest rig cannot beat meanwhile: %v", err)
	}
}

// refused holds an error against what it has to be: one line, and counted.
func (s *street) refused(t testing.TB, err error, code codes.Code, says, reason string, before float64) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code || !strings.Contains(st.Message(), says) || strings.Contains(st.Message(), "\n") {
		t.Errorf("refused with %v, not %v %q in one line", err, code, says)
	}
	s.settles(t, before+1, "refusals_total", reason)
	s.settles(t, 0, "held_bytes")
}

// until moves the clock on by steps until something has ended.
func (s *street) until(t testing.TB, step time.Duration, ended <-chan error) error {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); s.clock.Advance(step) {
		select {
		case err := <-ended:
			return err
		case <-time.After(time.Millisecond):
		}
	}
	t.Fatal("it goes on for ever")
	return nil
}
