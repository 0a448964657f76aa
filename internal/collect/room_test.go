package collect_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/setup"
)

func TestFloorOn(t *testing.T) {
	for _, c := range []struct {
		floor      setup.Floor
		size, want int64
	}{
		{setup.Floor{}, 1 << 40, 0},
		{setup.Floor{Bytes: 1 << 20}, 1 << 40, 1 << 20},
		{setup.Floor{Part: 0.25}, 1 << 40, 1 << 38},
		{setup.DefaultFloor, 1 << 40, 1 << 30},
		{setup.DefaultFloor, 100 << 20, 5 << 20},
	} {
		if got := collect.FloorOn(c.floor, c.size); got != c.want {
			t.Errorf("%+v on %d bytes: %d, not %d", c.floor, c.size, got, c.want)
		}
	}
}

// TestFloor has a disk that comes near its end: new runs are refused for the time
// being, all else goes on, and so do deliveries once there is room.
func TestFloor(t *testing.T) {
	c := newUnserved(t)
	var free atomic.Int64
	var broken atomic.Bool
	free.Store(100 << 20)
	c.Disk(func(string) (int64, int64, error) {
		if broken.Load() {
			return 0, 0, errors.New("the disk does not answer")
		}
		return free.Load(), 1 << 30, nil
	}, setup.Floor{Bytes: 50 << 20, Part: 0.5})
	c.conn = labtest.Connect(t, c.Server(deliver.DefaultLimits))
	ctx, book := t.Context(), answer.NewClient(c.conn)
	heron, beating := labtest.NewRig("heron", labtest.Rand(t)), labtest.NewBeating("heron")
	send := func(run labtest.Run) error {
		_, err := deliver.Send(ctx, c.conn, run.Signed, run.Parts())
		return err
	}
	first := heron.Finish(labtest.Shape{LogBytes: 10_000})
	if err := send(first); err != nil {
		t.Fatal(err)
	}
	if s, err := book.State(ctx); err != nil || s.Refusing != "" || s.Free != 100<<20 || s.Floor != 50<<20 {
		t.Errorf("%+v, %v", s, err)
	}

	free.Store(50<<20 + 1000) // enough, and not for the next run as well
	next := heron.Finish(labtest.Shape{LogBytes: 10_000})
	if err := send(next); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "short of room: 1000 B are free above its floor of 50 MiB, and ") {
		t.Error(err)
	}
	if s, err := book.State(ctx); err != nil || !strings.Contains(s.Refusing, "were to be delivered") {
		t.Errorf("%+v, %v", s, err)
	}

	free.Store(20 << 20)
	err := send(next)
	if !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "short of room: 20 MiB are free, and below 50 MiB nothing is taken") || strings.Contains(err.Error(), "\n") {
		t.Error(err)
	}
	if err := send(first); err != nil {
		t.Errorf("a run that is kept is not acknowledged again: %v", err)
	}
	beating.Waiting = deliver.Waiting{Runs: 1, Size: 10_000, Oldest: beating.Wall}
	if err := beating.Send(ctx, c.conn); err != nil {
		t.Errorf("beats are not heard: %v", err)
	}
	if b := beatOf(t, c.conn, "heron"); b.Waiting.Runs != 1 {
		t.Errorf("%+v", b)
	}
	if _, err := book.Show(ctx, first.ID); err != nil {
		t.Errorf("what is kept cannot be read: %v", err)
	}
	s, err := book.State(ctx)
	if err != nil || !strings.Contains(s.Refusing, "short of room") || s.Hint == "" || s.Since.IsZero() {
		t.Errorf("%+v, %v", s, err)
	}
	c.settles(t, 1, "refusing")
	serving := func(service string) healthpb.HealthCheckResponse_ServingStatus {
		r, err := healthpb.NewHealthClient(c.conn).Check(ctx, &healthpb.HealthCheckRequest{Service: service})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetStatus()
	}
	if d, a := serving(deliver.ServiceName), serving("witnessmark.v1.AnswerService"); d != healthpb.HealthCheckResponse_NOT_SERVING || a != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("while it is short of room deliveries are %v and answers %v", d, a)
	}
	c.settles(t, 2, "refusals_total", "no_room")

	broken.Store(true) // no reason to refuse
	free.Store(0)
	if err := send(heron.Finish(labtest.Shape{LogBytes: 10_000})); err != nil {
		t.Error(err)
	}
	broken.Store(false)
	free.Store(500 << 20)
	if err := send(next); err != nil {
		t.Errorf("it does not go on: %v", err)
	}
	if s, err := book.State(ctx); err != nil || s.Refusing != "" || !s.Since.IsZero() {
		t.Errorf("%+v, %v", s, err)
	}
	c.settles(t, 0, "refusing")
	if d := serving(deliver.ServiceName); d != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("deliveries are %v again", d)
	}
}

// serveToTheBrim is a collector without a floor.
func serveToTheBrim(args []string) error {
	return collect.Serve(context.Background(), args[0], "127.0.0.1:0", labtest.Quiet(), func(address string) { fmt.Println(address) },
		collect.WithFloor(func() setup.Floor { return setup.Floor{} }))
}

// TestDiskFull fills a small disk to its end while rigs beat and deliver, kills
// the collector on the full disk too, and makes room again: nothing that was
// acknowledged is lost, nothing is there by half, the collector says how it
// stands, and the same process goes on.
func TestDiskFull(t *testing.T) {
	for name, part := range map[string]string{"with a floor": "collector", "to the last byte": "brim"} {
		t.Run(name, func(t *testing.T) { diskFull(t, part) })
	}
}

func diskFull(t *testing.T, part string) {
	disk := labtest.SmallDisk(t, "64m")
	dir := filepath.Join(disk, "archive")
	proxy := labtest.NewProxy(t, func() int64 { return -1 })
	var child *labtest.Child
	start := func() {
		child = labtest.Start(t, labtest.Role(part, dir))
		address, ok := child.Line()
		if !ok {
			t.Fatal("the collector does not start: ", child.Wait())
		}
		proxy.Lead(address)
	}
	start()
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	defer cancel()
	r := labtest.Rand(t)
	benches := make([]*waiting, 4)
	var all sync.WaitGroup
	for i := range benches {
		conn, err := collect.Dial(proxy.Address(), collect.Owner(dir))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		name := fmt.Sprintf("dome-%d", i)
		b := &waiting{conn: conn, beating: labtest.NewBeating(name)}
		g := labtest.NewRig(name, labtest.Seeded(r.Uint64()))
		for range 12 {
			b.runs = append(b.runs, g.Finish(labtest.Shape{LogBytes: 300_000, Plain: true}))
		}
		benches[i] = b
	}
	acknowledged := func() (n int) {
		for _, b := range benches {
			n += int(b.done.Load())
		}
		return n
	}
	conn, err := collect.Dial(proxy.Address(), collect.Owner(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	book := answer.NewClient(conn)
	until := func(what string, f func() bool) {
		t.Helper()
		for !f() {
			if ctx.Err() != nil {
				s, err := book.State(t.Context())
				t.Fatalf("it never came to this: %s; state %+v, %v; last refusals %v", what, s, err, refusals(benches))
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	for _, b := range benches {
		all.Go(func() { b.deliver(ctx) })
	}
	until("some runs are kept", func() bool { return acknowledged() >= 6 })
	fill := filepath.Join(disk, "filler")
	fillUp(t, fill)
	short := func() bool {
		s, err := book.State(ctx)
		return err == nil && strings.Contains(s.Refusing, "short of room") && s.Hint != ""
	}
	until("it says that it is short of room", short)
	until("rigs say what waits", func() bool { return waitingAt(ctx, book) == len(benches) })
	before := acknowledged()
	child.Kill()
	start()
	until("it says so after a crash, too", short)
	for _, b := range benches { // what was acknowledged can be read
		if n := int(b.done.Load()); n > 0 {
			until("a kept run is shown", func() bool { _, err := book.Show(ctx, b.runs[n-1].ID); return err == nil })
		}
	}
	t.Logf("%d of 48 runs were acknowledged before the disk was full, %d while it was", before, acknowledged()-before)
	pid := child.Pid()
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	all.Wait()
	if n := acknowledged(); n != 48 {
		t.Errorf("%d of 48 runs were delivered once there was room", n)
	}
	if s, err := book.State(ctx); err != nil || s.Refusing != "" || child.Pid() != pid {
		t.Errorf("%+v, %v", s, err)
	}
	child.Kill()
	a, err := collect.OpenArchive(dir, 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := a.Check(ctx); err != nil {
		t.Error(err)
	}
	kept := labtest.Kept(t, a)
	for _, b := range benches {
		for _, run := range b.runs {
			if kept[run.ID].Record != labtest.Sum(run.Signed.Bytes) {
				t.Errorf("run %s is not what was delivered", run.ID)
			}
		}
	}
	if len(kept) != 48 {
		t.Errorf("%d runs are kept, not 48", len(kept))
	}
}

// waiting is a rig whose runs wait until the collector takes them.
type waiting struct {
	conn    grpc.ClientConnInterface
	beating *labtest.Beating
	runs    []labtest.Run
	done    atomic.Int64 // runs that were acknowledged, from the first on
	refused atomic.Pointer[error]
}

// refusals are the last words that rigs were told.
func refusals(benches []*waiting) (out []error) {
	for _, b := range benches {
		if err := b.refused.Load(); err != nil {
			out = append(out, *err)
		}
	}
	return out
}

func (b *waiting) deliver(ctx context.Context) {
	for ctx.Err() == nil && b.done.Load() < int64(len(b.runs)) {
		n := int(b.done.Load())
		b.beating.Waiting = deliver.Waiting{Runs: len(b.runs) - n, Oldest: b.beating.Wall}
		b.beating.Send(ctx, b.conn)
		_, err := deliver.Send(ctx, b.conn, b.runs[n].Signed, b.runs[n].Parts())
		if ctx.Err() == nil {
			b.refused.Store(&err)
		}
		if err == nil {
			b.done.Add(1)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// waitingAt counts the rigs that are known to have runs waiting.
func waitingAt(ctx context.Context, book answer.Client) (n int) {
	rigs, _ := book.Rigs(ctx)
	for _, r := range rigs {
		if r.Beat != nil && r.Beat.Waiting.Runs > 0 {
			n++
		}
	}
	return n
}

// fillUp writes a file until the disk has no byte left.
func fillUp(t testing.TB, path string) {
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 20; size > 0; size /= 2 {
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, size))
		}
	}
}
