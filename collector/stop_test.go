package main

import (
	"bufio"
	"context"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	pb "witnessmark/proto/witnessmark/v1"
)

// daemon is collector serve in a process of its own.
type daemon struct {
	cmd     *exec.Cmd
	address string
	mu      sync.Mutex
	log     []string
	ended   chan error
}

// startDaemon starts collector serve ARGS and waits for its address.
func startDaemon(t *testing.T, env []string, args ...string) *daemon {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{cmd: exec.Command(self, append([]string{"serve"}, args...)...), ended: make(chan error, 1)}
	d.cmd.Args[0] = "collector" // testscript.Main does the rest
	d.cmd.Env = append(os.Environ(), env...)
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	errs, err := d.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.cmd.Process.Kill() })
	read := make(chan bool)
	go func() {
		for s := bufio.NewScanner(errs); s.Scan(); {
			d.mu.Lock()
			d.log = append(d.log, s.Text())
			d.mu.Unlock()
		}
		close(read)
	}()
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		<-read
		t.Fatalf("collector serve: %v\n%s", d.cmd.Wait(), d.text())
	}
	d.address = strings.TrimSpace(line)
	go func() {
		<-read
		d.ended <- d.cmd.Wait()
	}()
	return d
}

func (d *daemon) text() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return strings.Join(d.log, "\n")
}

// terminate sends SIGTERM and waits for the end, which must be code 0.
func (d *daemon) terminate(t *testing.T) {
	t.Helper()
	begin := time.Now()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-d.ended:
		if err != nil {
			t.Errorf("it ended with %v:\n%s", err, d.text())
		}
	case <-time.After(time.Minute):
		t.Fatalf("it still runs after a minute:\n%s", d.text())
	}
	t.Logf("it ended after %v", time.Since(begin).Round(time.Millisecond))
}

// stuck are calls that never end by themselves, by what they are.
func stuck(ctx context.Context) map[string]func(conn grpc.ClientConnInterface, under func()) error {
	announced := func(conn grpc.ClientConnInterface) (grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], error) {
		st, err := pb.NewDeliveryServiceClient(conn).Deliver(ctx)
		if err != nil {
			return nil, err
		}
		return st, st.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: &pb.Announcement{
			RecordSha256: make([]byte, 32), RecordSize: 32 << 20,
		}}})
	}
	chunk := func(st grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], n int) error {
		return st.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: make([]byte, n)}}})
	}
	// More than flow control lets a stream send ahead, so that its handler reads.
	filled := func(conn grpc.ClientConnInterface) (grpc.ClientStreamingClient[pb.DeliverRequest, pb.DeliverResponse], error) {
		st, err := announced(conn)
		for i := 0; err == nil && i < 16; i++ {
			err = chunk(st, 64<<10)
		}
		return st, err
	}
	return map[string]func(conn grpc.ClientConnInterface, under func()) error{
		"a delivery that trickles": func(conn grpc.ClientConnInterface, under func()) error {
			st, err := filled(conn)
			under()
			for err == nil {
				if err = chunk(st, 1); err == nil {
					time.Sleep(5 * time.Millisecond)
				}
			}
			_, err = st.CloseAndRecv()
			return err
		},
		"a delivery that is silent": func(conn grpc.ClientConnInterface, under func()) error {
			st, err := filled(conn)
			under()
			if err == nil {
				err = st.RecvMsg(&pb.DeliverResponse{})
			}
			return err
		},
		"a backup that nobody reads": func(conn grpc.ClientConnInterface, under func()) error {
			st, err := pb.NewAnswerServiceClient(conn).Backup(ctx, &pb.BackupRequest{})
			if err == nil {
				_, err = st.Recv()
			}
			under()
			<-ctx.Done()
			return err
		},
		"a watch of the health": func(conn grpc.ClientConnInterface, under func()) error {
			st, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{})
			if err == nil {
				_, err = st.Recv()
			}
			under()
			for err == nil {
				_, err = st.Recv()
			}
			return err
		},
		"reflection that asks nothing more": func(conn grpc.ClientConnInterface, under func()) error {
			st, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
			if err == nil {
				err = st.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}})
			}
			if err == nil {
				_, err = st.Recv()
			}
			under()
			if err == nil {
				_, err = st.Recv()
			}
			return err
		},
	}
}

// TestStopWithStuckCalls: SIGTERM ends the collector whatever hangs on it, with
// code 0, nothing acknowledged lost and nothing half kept.
func TestStopWithStuckCalls(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	d := startDaemon(t, nil, "--listen", "127.0.0.1:0", "--data", dir)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()

	acked := &loaded{address: d.address, dir: dir}
	delivering, enough := context.WithCancel(ctx)
	defer enough()
	var rigs sync.WaitGroup
	for i := range 3 {
		rig := labtest.NewRig("rig"+string(rune('a'+i)), labtest.Seeded(uint64(i)))
		rigs.Go(func() { acked.until(t, delivering, rig) })
	}
	acked.acknowledged(t, 60) // more than flow control lets a backup send ahead

	type end struct {
		what string
		err  error
	}
	calls := stuck(ctx)
	under, ends := make(chan bool, len(calls)), make(chan end, len(calls))
	for what, call := range calls {
		conn, err := collect.Dial(d.address, collect.Owner(dir))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		go func() { ends <- end{what, call(conn, func() { under <- true })} }()
	}
	for _, words := range []string{"", "PRI * HTTP/2.0\r\n"} { // connections that never say what they want
		conn, err := net.Dial("tcp", d.address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		io.WriteString(conn, words)
	}
	for range calls {
		<-under
	}
	d.terminate(t)
	enough()
	rigs.Wait()
	cancel()
	for range calls {
		e := <-ends
		if code := status.Code(e.err); e.err != nil && code != codes.Unavailable && code != codes.Canceled {
			t.Errorf("%s ended with %v, which a rig would not try again", e.what, e.err)
		}
	}
	log := d.text()
	if strings.Contains(log, "level=ERROR") || strings.Count(log, "msg=stopping") != 1 || strings.Count(log, `msg="calls are cut off"`) != 1 {
		t.Errorf("logged:\n%s", log)
	}
	a, err := collect.OpenArchive(dir, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	kept := labtest.Kept(t, a)
	for _, id := range acked.acknowledged(t, 0) {
		if _, ok := kept[id]; !ok {
			t.Errorf("run %s was acknowledged, and is not kept", id)
		}
	}
	t.Logf("%d acknowledged, %d kept", len(acked.acknowledged(t, 0)), len(kept))
}

// until delivers until ctx ends or the collector does.
func (l *loaded) until(t *testing.T, ctx context.Context, g *labtest.Rig) {
	conn, err := collect.Dial(l.address, collect.Owner(l.dir))
	if err != nil {
		t.Error(err)
		return
	}
	defer conn.Close()
	for ctx.Err() == nil {
		run := g.Finish(labtest.Shape{Plain: true, LogBytes: 60 << 10})
		if _, err := deliver.Send(ctx, conn, run.Signed, run.Parts()); err != nil {
			return
		}
		l.mu.Lock()
		l.acked = append(l.acked, run.ID)
		l.mu.Unlock()
	}
}
