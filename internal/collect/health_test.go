package collect_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// serving runs a collector on loopback until the test ends.
func serving(t *testing.T, dir string, opts ...collect.Option) *collect.Connection {
	ctx, stop := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Serve(ctx, dir, "127.0.0.1:0", labtest.Quiet(), func(a string) { ready <- a }, opts...)
	}()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	select {
	case address := <-ready:
		conn, err := collect.Dial(address, collect.Owner(dir))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	case err := <-ended:
		t.Fatal(err)
		return nil
	}
}

// TestHealth: the health service says of each service whether it serves, as soon
// as that changes, and a trail that was cut back stops deliveries alone.
func TestHealth(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	dir := t.TempDir()
	conn := serving(t, dir)
	health := healthpb.NewHealthClient(conn)
	watch, err := health.Watch(ctx, &healthpb.HealthCheckRequest{Service: deliver.ServiceName})
	if err != nil {
		t.Fatal(err)
	}
	watched := func() string {
		m, err := watch.Recv()
		if err != nil {
			t.Fatal(err)
		}
		return m.GetStatus().String()
	}
	all := func() map[string]string {
		out := map[string]string{}
		l, err := health.List(ctx, &healthpb.HealthListRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for name, s := range l.GetStatuses() {
			one, err := health.Check(ctx, &healthpb.HealthCheckRequest{Service: name})
			if err != nil || one.GetStatus() != s.GetStatus() {
				t.Errorf("%q: listed as %v, asked for %v: %v", name, s, one, err)
			}
			out[strings.TrimPrefix(name, "witnessmark.v1.")] = s.GetStatus().String()
		}
		return out
	}
	const yes, no = "SERVING", "NOT_SERVING"
	was := all()
	for _, name := range []string{"", "DeliveryService", "BeatService", "AnswerService"} {
		if was[name] != yes {
			t.Errorf("%q is %q", name, was[name])
		}
	}
	if got := watched(); got != yes {
		t.Errorf("deliveries are %s", got)
	}
	x, err := deliver.AskHead(ctx, conn)
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(x.VerifierKey)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := deliver.AskHead(ctx, conn, headBy(t, v.Name(), keyIn(t, dir))); err != nil {
		t.Fatal(err)
	}
	if got := watched(); got != no { // nobody asked
		t.Errorf("deliveries are %s", got)
	}
	was[""], was["DeliveryService"] = no, no
	if d := cmp.Diff(was, all()); d != "" {
		t.Errorf("after a head was missing:\n%s", d)
	}
	if _, err := health.Check(ctx, &healthpb.HealthCheckRequest{Service: "dome"}); status.Code(err) != codes.NotFound {
		t.Errorf("a service that is not there: %v", err)
	}
}

// TestWhoLeavesTellsNobody: a question whose asker goes, or waits no longer, before it is
// answered is not what others are told. That the archive does not answer anybody is.
func TestWhoLeavesTellsNobody(t *testing.T) {
	c := newUnserved(t).Collector
	look, told := collect.Vitals(c, time.Hour)
	gone, leave := context.WithCancel(t.Context())
	leave()
	late, done := context.WithDeadline(t.Context(), time.Now())
	defer done()
	look(t.Context())
	for range 20 {
		for _, asker := range []context.Context{gone, late} {
			look(asker)
			if got := told(); got != "SERVING" {
				t.Fatalf("of one who waits no longer, %v, others are told %s", asker.Err(), got)
			}
		}
	}

	collect.Silence(c)
	look(late)
	if got := told(); got != "SERVING" {
		t.Errorf("somebody had no time for an answer, and others are told %s", got)
	}
	look, told = collect.Vitals(c, time.Millisecond)
	look(t.Context())
	if got := told(); got != "NOT_SERVING" {
		t.Errorf("of an archive that does not answer others are told %s", got)
	}
}

// services asks reflection what there is.
func services(ctx context.Context, conn grpc.ClientConnInterface) (names []string, err error) {
	st, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
	if err != nil {
		return nil, err
	}
	if err := st.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	m, err := st.Recv()
	for _, s := range m.GetListServicesResponse().GetService() {
		names = append(names, s.GetName())
	}
	return names, err
}

// TestReflection: what there is is told to this machine, and to others only while
// that is allowed.
func TestReflection(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	conn := serving(t, t.TempDir(), collect.WithReflection(func() bool { return false }))
	if names, err := services(ctx, conn); err != nil || !strings.Contains(strings.Join(names, " "), deliver.ServiceName) {
		t.Errorf("%q, %v", names, err)
	}
	if _, err := services(ctx, serving(t, t.TempDir())); status.Code(err) != codes.Unimplemented {
		t.Errorf("without being asked for: %v", err)
	}
	// A pipe in memory has no address on this machine.
	allowed := false
	far := labtest.Connect(t, collect.Reflecting(func() bool { return allowed }))
	if _, err := services(ctx, far); status.Code(err) != codes.PermissionDenied {
		t.Errorf("from elsewhere: %v", err)
	}
	allowed = true
	if names, err := services(ctx, far); err != nil || len(names) == 0 {
		t.Errorf("from elsewhere, allowed: %q, %v", names, err)
	}
}
