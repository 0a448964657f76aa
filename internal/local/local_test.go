package local_test

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/local"
	"witnessmark/internal/setup"
	pb "witnessmark/proto/witnessmark/v1"
)

// keeper is a rig that settles when it is told to.
type keeper struct {
	mu     sync.Mutex
	wanted []setup.Settle
	left   []string
	begun  map[string]bool
	status local.Status
	told   chan struct{} // after each word on what is left
}

func (k *keeper) say(left ...string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.left = left
}

func (k *keeper) Settle(ctx context.Context, want setup.Settle, tell func([]string) error) ([]string, error) {
	k.mu.Lock()
	k.wanted = append(k.wanted, want)
	k.mu.Unlock()
	end := time.After(want.Limit)
	for {
		k.mu.Lock()
		left := k.left
		k.mu.Unlock()
		if len(left) == 0 {
			return nil, nil
		}
		if err := tell(left); err != nil {
			return nil, err
		}
		select {
		case k.told <- struct{}{}:
		case <-end:
			return left, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (k *keeper) BeginSpan(name string) error {
	if k.begun[name] {
		return fault.New("begin span", name, errors.New("it has begun already")).WithHint("end it first")
	}
	k.begun[name] = true
	return nil
}

func (k *keeper) EndSpan(string) (time.Duration, error) { return 3 * time.Second, nil }

func (k *keeper) Status() local.Status { return k.status }

// socketPath is one in a folder of its own. The kernel takes only short ones.
func socketPath(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "wm")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return filepath.Join(dir, "agent.sock")
}

// serving answers for k at a socket.
func serving(t *testing.T, k *keeper) (path string, stop func()) {
	t.Helper()
	path = socketPath(t)
	l, err := local.Listen(path, "")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- local.Serve(ctx, l, k) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return path, stop
}

func dial(t *testing.T, path string) *local.Client {
	t.Helper()
	c, err := local.Dial(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func newKeeper() *keeper { return &keeper{begun: map[string]bool{}, told: make(chan struct{})} }

func TestSettle(t *testing.T) {
	k := newKeeper()
	path, _ := serving(t, k)
	c := dial(t, path)
	k.say("Package id 0 61.0 °C")
	below := 45.0
	var heard []string
	go func() {
		<-k.told
		k.say("other work 9.1 %")
		<-k.told
		<-k.told
		k.say()
		for range k.told {
		}
	}()
	left, err := c.Settle(t.Context(), setup.Settle{BelowCelsius: &below, Limit: time.Hour}, func(left []string) { heard = append(heard, left...) })
	if err != nil || len(left) > 0 {
		t.Errorf("%q, %v", left, err)
	}
	if s := strings.Join(heard, "; "); !strings.Contains(s, "61.0") || !strings.Contains(s, "9.1") {
		t.Errorf("heard %q", s)
	}
	if d := cmp.Diff([]setup.Settle{{BelowCelsius: &below, Limit: time.Hour}}, k.wanted); d != "" {
		t.Error(d)
	}
	k.say("other work 9.1 %")
	left, err = c.Settle(t.Context(), setup.Settle{OtherLoadPercent: &below, Limit: time.Millisecond}, func([]string) {})
	if err != nil || len(left) != 1 {
		t.Errorf("at the limit: %q, %v", left, err)
	}
	if _, err := c.Settle(t.Context(), setup.Settle{Limit: time.Hour}, func([]string) {}); err == nil || fault.HintOf(err) != "" {
		t.Errorf("nothing to wait for: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	if _, err := c.Settle(ctx, setup.Settle{OtherLoadPercent: &below, Limit: time.Hour}, func([]string) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestSpansAndTheirRefusals(t *testing.T) {
	k := newKeeper()
	path, _ := serving(t, k)
	c := dial(t, path)
	if err := c.BeginSpan(t.Context(), "orrery"); err != nil {
		t.Fatal(err)
	}
	err := c.BeginSpan(t.Context(), "orrery")
	if err == nil || fault.HintOf(err) != "end it first" || !strings.Contains(err.Error(), "begun already") {
		t.Errorf("%v, %q", err, fault.HintOf(err))
	}
	if d, err := c.EndSpan(t.Context(), "orrery"); err != nil || d != 3*time.Second {
		t.Errorf("%v, %v", d, err)
	}
	for _, name := range []string{"", "a\nb", strings.Repeat("x", 1000)} {
		if err := c.BeginSpan(t.Context(), name); err == nil || strings.Contains(err.Error(), "\n") || fault.HintOf(err) == "" {
			t.Errorf("%.10q: %v", name, err)
		}
	}
}

// A client of another make gets no further with a bad name, or with a long message.
func TestRefusedAtTheSocket(t *testing.T) {
	path, _ := serving(t, newKeeper())
	conn := bare(t, path)
	for want, name := range map[codes.Code]string{codes.InvalidArgument: "a\nb", codes.ResourceExhausted: strings.Repeat("x", 1<<20)} {
		_, err := pb.NewLocalServiceClient(conn).BeginSpan(t.Context(), &pb.BeginSpanRequest{Name: name})
		if status.Code(err) != want {
			t.Errorf("%.10q: %.200v", name, err)
		}
	}
}

func bare(t *testing.T, path string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient("passthrough:///agent", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "unix", path)
		}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func TestStatusComesBackAsItWas(t *testing.T) {
	k := newKeeper()
	at := time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)
	k.status = local.Status{
		Rig: "heron", Version: "0.1.0", Played: "invented", Collector: "127.0.0.1:7410", Setup: "memory-rated", Up: time.Hour, Pace: time.Second,
		Sampled: time.Millisecond, FactsAge: time.Minute, Facts: 120, Unread: 7, BeatAge: -1,
		Waiting: deliver.Waiting{Runs: 2, Size: 1 << 20, Oldest: at}, Troubles: []deliver.Trouble{{What: "beat: nobody answers", Since: at}},
		Spans: []string{"orrery"}, Taken: 9, Delivered: 3, BeatsAnswered: 4, BeatsUnanswered: 5, Judgement: drift.Judgement{Standing: drift.Clean, At: at},
	}
	path, _ := serving(t, k)
	got, err := dial(t, path).Status(t.Context())
	if d := cmp.Diff(k.status, got, cmpopts.EquateEmpty()); err != nil || d != "" {
		t.Errorf("%v\n%s", err, d)
	}
	k.status = local.Status{Sampled: -1, FactsAge: -1, BeatAge: -1}
	got, err = dial(t, path).Status(t.Context())
	if d := cmp.Diff(k.status, got, cmpopts.EquateEmpty()); err != nil || d != "" {
		t.Errorf("%v\n%s", err, d)
	}
}

func TestSocket(t *testing.T) {
	path, stop := serving(t, newKeeper())
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o660 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if _, err := local.Listen(path, ""); err == nil || !strings.Contains(err.Error(), "another agent listens there") {
		t.Errorf("a second one: %v", err)
	}
	stop()
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("it is there when the agent is gone: %v", err)
	}
	if _, err := local.Dial(t.Context(), path); err == nil || !strings.Contains(err.Error(), "no agent is running there") || fault.HintOf(err) == "" {
		t.Errorf("nobody there: %v", err)
	}
	// What a killed agent left is a socket that nobody listens at.
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	dead.SetUnlinkOnClose(false)
	dead.Close()
	if _, err := local.Dial(t.Context(), path); err == nil || !strings.Contains(err.Error(), "no agent is running there") {
		t.Errorf("a dead socket: %v", err)
	}
	l, err := local.Listen(path, "")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if err := os.WriteFile(path, []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := local.Listen(path, ""); err == nil || !strings.Contains(err.Error(), "no socket") {
		t.Errorf("over a file: %v", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "kept" {
		t.Errorf("the file holds %q", b)
	}
	if _, err := local.Listen("/tmp/"+strings.Repeat("x", 100), ""); err == nil || !strings.Contains(err.Error(), "103 bytes") {
		t.Errorf("a long path: %v", err)
	}
	if _, err := local.Listen(path+"2", "no such group here"); err == nil || fault.HintOf(err) == "" {
		t.Errorf("a group that is none: %v", err)
	}
	if names, _ := filepath.Glob(path + "2*"); len(names) > 0 {
		t.Errorf("left behind: %v", names)
	}
}

// An agent that ends takes its own socket away, and not that of one which comes after it,
// even before the first has let go of its own.
func TestOneAgentAfterTheOther(t *testing.T) {
	path := socketPath(t)
	first, err := local.Listen(path, "")
	if err != nil {
		t.Fatal(err)
	}
	open, err := first.(syscall.Conn).SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var ending sync.WaitGroup
	var next net.Listener
	open.Control(func(uintptr) { // which Close waits for, and until then the socket answers
		ending.Go(func() { first.Close() })
		next, err = local.Listen(path, "")
		for end := time.Now().Add(time.Minute); err != nil && time.Now().Before(end); time.Sleep(time.Millisecond) {
			next, err = local.Listen(path, "")
		}
	})
	ending.Wait()
	if err != nil {
		t.Fatal(err)
	}
	defer next.Close()
	first.Close()
	if _, err := os.Stat(path); err != nil {
		t.Error(err)
	}
}

// An agent keeps its socket, too, when more wait for an answer than the kernel holds.
func TestCrowdedSocketIsNotTaken(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells that from nobody listening")
	}
	path := socketPath(t)
	l, err := local.Listen(path, "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for err == nil {
		var c net.Conn
		if c, err = net.Dial("unix", path); err == nil {
			c.Close() // it waits all the same
		}
	}
	if next, err := local.Listen(path, ""); err == nil {
		next.Close()
		t.Errorf("the socket was taken from an agent that had not answered yet")
	}
}

// The standard services of gRPC answer beside our own.
func TestHealthAndReflection(t *testing.T) {
	path, _ := serving(t, newKeeper())
	conn := bare(t, path)
	for _, name := range []string{"", "witnessmark.v1.LocalService"} {
		r, err := grpc_health_v1.NewHealthClient(conn).Check(t.Context(), &grpc_health_v1.HealthCheckRequest{Service: name})
		if err != nil || r.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
			t.Errorf("%q: %v, %v", name, r, err)
		}
	}
	st, err := grpc_reflection_v1.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err == nil {
		err = st.Send(&grpc_reflection_v1.ServerReflectionRequest{MessageRequest: &grpc_reflection_v1.ServerReflectionRequest_ListServices{}})
	}
	if err != nil {
		t.Fatal(err)
	}
	r, err := st.Recv()
	if err != nil || !strings.Contains(r.String(), "witnessmark.v1.LocalService") {
		t.Errorf("%v, %v", r, err)
	}
}

// An agent that stops says so to whoever waits, and does not wait for them.
func TestStoppingEndsWhoWaits(t *testing.T) {
	k := newKeeper()
	path, stop := serving(t, k)
	k.say("too warm")
	c := dial(t, path)
	below := 45.0
	ended := make(chan error, 1)
	go func() {
		_, err := c.Settle(t.Context(), setup.Settle{BelowCelsius: &below, Limit: time.Hour}, func([]string) {})
		ended <- err
	}()
	<-k.told
	go func() {
		for range k.told {
		}
	}()
	stop()
	if err := <-ended; err == nil || fault.HintOf(err) == "" || strings.Contains(err.Error(), "\n") {
		t.Errorf("%v", err)
	}
}

// An agent does not wait for a connection that never says what it wants.
func TestStoppingLeavesTheSilent(t *testing.T) {
	defer local.Handshake(time.Hour)()
	path, stop := serving(t, newKeeper())
	silent, err := net.Dial("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	if _, err := dial(t, path).Status(t.Context()); err != nil { // the one before is in
		t.Fatal(err)
	}
	stopped := make(chan bool)
	go func() { stop(); close(stopped) }()
	select {
	case <-stopped:
	case <-time.After(time.Minute):
		t.Error("it waits")
	}
}
