package collect_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// demanding is a rig that lets no run go before witnesses have signed.
type demanding struct {
	*dispatch.Post
	rig      *labtest.Rig
	spoolDir string
	later    atomic.Int64 // by how much its clock is ahead, in nanoseconds
}

func newDemanding(t testing.TB, conn func() grpc.ClientConnInterface, d *audit.Demand) *demanding {
	t.Helper()
	g := &demanding{rig: labtest.NewRig("heron", labtest.Rand(t))}
	g.spoolDir = filepath.Join(t.TempDir(), "spool")
	sp, err := spool.Open(g.spoolDir)
	if err != nil {
		t.Fatal(err)
	}
	seen, err := audit.Open(filepath.Join(t.TempDir(), "trails"), func() time.Time { return time.Now().Add(time.Duration(g.later.Load())) })
	if err != nil {
		t.Fatal(err)
	}
	g.Post = &dispatch.Post{
		Spool: sp, Auditor: func() (*audit.Auditor, error) { return seen, nil }, Demand: d,
		Connect: func(context.Context, string) (*dispatch.Way, error) {
			return &dispatch.Way{ClientConnInterface: conn(), Where: theCollector, Close: func() error { return nil }}, nil
		},
	}
	return g
}

const theCollector = "dome.example:7410"

// put spools a run.
func (g *demanding) put(t testing.TB) string {
	t.Helper()
	run := g.rig.Finish(labtest.Shape{Plain: true, LogBytes: 600})
	if err := g.Spool.Put(run.Item(theCollector), run.Openers()); err != nil {
		t.Fatal(err)
	}
	return run.ID
}

// flush offers what waits, and gives what came of each run.
func (g *demanding) flush(t testing.TB) map[string]error {
	t.Helper()
	got := map[string]error{}
	if err := g.Flush(t.Context(), theCollector, func(it spool.Item, d dispatch.Delivered) { got[it.ID] = d.Err }); err != nil {
		t.Error(err)
	}
	return got
}

// goes flushes until no run waits.
func (g *demanding) goes(t testing.TB) {
	t.Helper()
	insist(t, "let the runs go", func(context.Context) error {
		got := g.flush(t)
		if q, err := g.Spool.Queue(); err != nil || len(q) > 0 {
			return fmt.Errorf("%d runs wait: %v, %v", len(q), got, err)
		}
		return nil
	})
}

// followingAs follows a source until stop is called, and gives the witness's key.
func followingAs(t testing.TB, source, sourceDir, copyDir string) (key string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	keys, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Follow(ctx, collect.Following{
			Dir: copyDir, Source: source, Listen: "127.0.0.1:0", Log: labtest.Quiet(), Dial: owning(sourceDir), Ready: func(string) {}, Witness: func(k string) { keys <- k },
		})
	}()
	select {
	case key = <-keys:
	case err := <-ended:
		t.Fatal(err)
	}
	over := false
	stop = func() {
		if !over {
			over = true
			cancel()
			<-ended
		}
	}
	t.Cleanup(stop)
	return key, stop
}

// TestRunsWaitForWitnesses: a run leaves the rig once a follower has it, and not
// before; those that take too long are named, and nothing is kept twice.
func TestRunsWaitForWitnesses(t *testing.T) {
	dir, copyDir := filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "copy")
	address, _ := labtest.Serve(t, dir)
	conn := labtest.DialOwner(t, address, dir)
	key, stop := followingAs(t, address, dir, copyDir)
	stop()
	d, err := audit.NewDemand([]string{key}, 0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	g := newDemanding(t, func() grpc.ClientConnInterface { return conn }, &d)
	ids := []string{g.put(t), g.put(t), g.put(t)}
	for pass := range 3 { // with nobody who signs
		var u audit.Unwitnessed
		for id, err := range g.flush(t) {
			if !errors.As(err, &u) || u.Overdue() || len(u.Behind) != 1 || u.Need != 1 {
				t.Errorf("pass %d, %s: %v", pass, id, err)
			}
		}
	}
	q, err := g.Spool.Queue()
	if err != nil || len(q) != 3 || q[0].Held == nil || q[0].Held.Witnesses[0] != key {
		t.Errorf("%+v, %v", q, err)
	}
	once, _ := headAt(t, conn)
	g.later.Store(int64(3 * time.Hour))
	for _, err := range g.flush(t) {
		var u audit.Unwitnessed
		name, _, _ := strings.Cut(key, "+")
		if !errors.As(err, &u) || !u.Overdue() || !strings.Contains(err.Error(), name+" (has signed none)") || !strings.Contains(err.Error(), "more than 1h") {
			t.Error(err)
		}
	}
	for _, id := range ids {
		if _, err := g.Spool.Receipt(id); err == nil {
			t.Errorf("%s was let go", id)
		}
	}
	// A process that was told nothing does not let go either.
	g.Demand = nil
	if got := g.flush(t); len(got) != 3 {
		t.Errorf("%v", got)
	}
	_, stop = followingAs(t, address, dir, copyDir)
	g.goes(t)
	for _, id := range ids {
		if _, err := g.Spool.Receipt(id); err != nil {
			t.Error(err)
		}
	}
	if h, ok := headAt(t, conn); !ok || h != once {
		t.Errorf("the trail went from %v to %v", once, h)
	}
	// With a witness more that never was, one of two is enough or is not.
	other := newWitness(t)
	both, err := audit.NewDemand([]string{other, key}, 2, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	g.Demand = &both
	id := g.put(t)
	g.flush(t)
	insist(t, "the follower signs", func(context.Context) error {
		var u audit.Unwitnessed
		if err := g.flush(t)[id]; !errors.As(err, &u) || len(u.Behind) != 1 || u.Behind[0].Key != other {
			return fmt.Errorf("behind: %v", err)
		}
		return nil
	})
	g.Demand = nil
	if err := g.flush(t)[id]; !errors.Is(err, audit.ErrUnwitnessed) {
		t.Errorf("without the demand that it was held by: %v", err)
	}
	both.Need = 1
	g.Instead = &both
	g.goes(t)
	stop()
	copied, err := collect.OpenArchive(copyDir, 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer copied.Close()
	if kept := labtest.Kept(t, copied); len(kept) != 4 {
		t.Errorf("the copy has %d runs", len(kept))
	}
}

// TestDemandTravels: a run goes by the demand that was made when it began, whoever
// delivers it and whatever that one demands, until an operator says otherwise.
func TestDemandTravels(t *testing.T) {
	c := labtest.NewCollector(t)
	g := newDemanding(t, func() grpc.ClientConnInterface { return c }, nil)
	put := func(d *spool.Demand) string {
		run := g.rig.Finish(labtest.Shape{Plain: true, LogBytes: 600})
		it := run.Item(theCollector)
		it.Demand = d
		if err := g.Spool.Put(it, run.Openers()); err != nil {
			t.Fatal(err)
		}
		return run.ID
	}
	strict, free, damaged := put(&spool.Demand{Witnesses: []string{newWitness(t)}, Need: 1, Within: time.Hour}), put(nil), put(&spool.Demand{Witnesses: []string{"nobody"}, Need: 1})
	less, err := audit.NewDemand(nil, 0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	for _, demand := range []*audit.Demand{nil, &less} {
		g.Demand = demand
		for range 2 {
			got := g.flush(t)
			if err := got[strict]; !errors.Is(err, audit.ErrUnwitnessed) {
				t.Errorf("%v", err)
			}
			if err := got[damaged]; err == nil || !strings.Contains(fault.HintOf(err), "agent spool send") {
				t.Errorf("a demand that does not read: %v", err)
			}
		}
	}
	if _, err := g.Spool.Receipt(free); err != nil {
		t.Error(err)
	}
	// A power cut that tears the mark of what it is held by leaves the demand.
	q, err := g.Spool.Queue()
	if err != nil || len(q) != 2 || q[0].Held == nil || q[0].ID != strict {
		t.Fatalf("%+v, %v", q, err)
	}
	if err := os.Truncate(filepath.Join(g.spoolDir, "ready", strict, "offered"), 20); err != nil {
		t.Fatal(err)
	}
	if err := g.flush(t)[strict]; !errors.Is(err, audit.ErrUnwitnessed) {
		t.Errorf("after the power cut: %v", err)
	}
	g.Instead = &less
	g.goes(t)
}

// twoFaced answers as one collector, with what witnesses signed of another.
type twoFaced struct {
	grpc.ClientConnInterface
	other grpc.ClientConnInterface
}

func (c twoFaced) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	err := c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
	if r, ok := reply.(*pb.GetHeadResponse); ok && err == nil {
		var theirs pb.GetHeadResponse
		if err = c.other.Invoke(ctx, method, &pb.GetHeadRequest{}, &theirs, opts...); err == nil {
			r.Cosigned = theirs.Cosigned
		}
	}
	return err
}

// TestForkedSource: a collector whose folder was copied goes two ways, one for the
// witness and one for the rig. What the rig delivers never counts as witnessed, and
// the witness's signature is the proof.
func TestForkedSource(t *testing.T) {
	root := t.TempDir()
	dir, forked, copyDir := filepath.Join(root, "archive"), filepath.Join(root, "forked"), filepath.Join(root, "copy")
	address, stopSource := labtest.Serve(t, dir)
	conn := labtest.DialOwner(t, address, dir)
	key, stop := followingAs(t, address, dir, copyDir)
	d, err := audit.NewDemand([]string{key}, 0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	var now grpc.ClientConnInterface = conn
	g := newDemanding(t, func() grpc.ClientConnInterface { return now }, &d)
	g.put(t)
	g.flush(t)
	g.goes(t)
	stop()
	stopSource()
	if err := os.CopyFS(forked, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	address, _ = labtest.Serve(t, dir)
	conn = labtest.DialOwner(t, address, dir)
	plover := labtest.NewRig("plover", labtest.Rand(t))
	for range 2 {
		run := plover.Finish(labtest.Shape{Plain: true, LogBytes: 300})
		if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
	}
	followingAs(t, address, dir, copyDir)
	theirs, _ := headAt(t, conn)
	insist(t, "cosign", func(context.Context) error {
		for _, c := range cosignedBy(t, conn) {
			if strings.Contains(string(c.Head), theirs.Root.String()) {
				return nil
			}
		}
		return errors.New("not yet")
	})
	other, _ := labtest.Serve(t, forked)
	now = labtest.DialOwner(t, other, forked)
	id := g.put(t)
	for range 3 {
		if err := g.flush(t)[id]; !errors.Is(err, audit.ErrUnwitnessed) {
			t.Errorf("on the fork: %v", err)
		}
	}
	g.later.Store(int64(2 * time.Hour))
	var u audit.Unwitnessed
	if err := g.flush(t)[id]; !errors.As(err, &u) || !u.Overdue() {
		t.Errorf("on the fork, later: %v", err)
	}
	ours, _ := headAt(t, labtest.DialOwner(t, other, forked))
	now = twoFaced{now, conn}
	var alarm audit.Alarm
	if err := g.flush(t)[id]; !errors.As(err, &alarm) || alarm.Seen.Size != theirs.Size || alarm.Now.Size != ours.Size || alarm.Seen.Key != alarm.Now.Key {
		t.Fatalf("%v", err)
	}
	for _, name := range []string{"seen.head", "now.head"} {
		b, err := os.ReadFile(filepath.Join(alarm.Folder, name))
		if err != nil || !strings.Contains(string(b), "witnessmark.example/") {
			t.Errorf("%s: %q, %v", name, b, err)
		}
	}
	if _, err := g.Spool.Receipt(id); err == nil {
		t.Error("the run was let go")
	}
}

// TestHeldRunIsDeliveredAgain: a run that a collector kept and then lost is still
// there to be delivered anew.
func TestHeldRunIsDeliveredAgain(t *testing.T) {
	before, after := labtest.NewCollector(t), labtest.NewCollector(t) // of one key
	d, err := audit.NewDemand([]string{newWitness(t)}, 0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	var now grpc.ClientConnInterface = before
	g := newDemanding(t, func() grpc.ClientConnInterface { return now }, &d)
	id := g.put(t)
	if err := g.flush(t)[id]; !errors.Is(err, audit.ErrUnwitnessed) {
		t.Fatal(err)
	}
	now = after
	var alarm audit.Alarm
	if err := g.flush(t)[id]; !errors.As(err, &alarm) {
		t.Fatal(err)
	}
	a, err := g.Auditor()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Accept(alarm.Name, "wren", "the disk was lost"); err != nil {
		t.Fatal(err)
	}
	if err := g.flush(t)[id]; !errors.Is(err, audit.ErrUnwitnessed) {
		t.Error(err)
	}
	if kept := labtest.Kept(t, after.Archive); len(kept) != 1 {
		t.Errorf("%d runs are kept", len(kept))
	}
}

// newWitness is the key of a witness that signs nothing.
func newWitness(t testing.TB) string {
	t.Helper()
	key := labtest.Key(labtest.Seeded(77))
	w, err := trail.WitnessKey("witness.dome.example/avocet", key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	return w
}
