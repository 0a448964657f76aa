package audit_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

func TestMain(m *testing.M) {
	labtest.Roles(map[string]func([]string) error{"rememberer": rememberUntilKilled, "accuser": accuseUntilKilled})
	os.Exit(m.Run())
}

const address = "127.0.0.1:7410"

// bench is a rig with its memory of trails.
type bench struct {
	*audit.Auditor
	rig *labtest.Rig
}

func newBench(t testing.TB, dir string) bench {
	a, err := audit.Open(dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return bench{a, labtest.NewRig("heron", labtest.Rand(t))}
}

// deliver meets the collector and delivers n runs into its trail.
func (b bench) deliver(conn grpc.ClientConnInterface, n int) (sizes []int64, err error) {
	met, err := b.Meet(context.Background(), conn, address)
	if err != nil {
		return nil, err
	}
	for range n {
		run := b.rig.Finish(labtest.Shape{Bare: true, Plain: true, LogBytes: 100})
		reply, err := met.Send(context.Background(), run.Signed, run.Parts())
		if err != nil {
			return sizes, err
		}
		sizes = append(sizes, reply.Receipt.Size)
	}
	return sizes, nil
}

// seen gives the size of the last head remembered.
func (b bench) seen(t testing.TB) int64 {
	t.Helper()
	all, err := b.Memories()
	if err != nil || len(all) == 0 {
		t.Fatalf("%+v, %v", all, err)
	}
	h, err := trail.OpenHead([]byte(all[0].Head), labtest.Verifiers(t, all[0].Key))
	if err != nil {
		t.Fatal(err)
	}
	return h.Size
}

func TestGoesOnWithAnHonestTrail(t *testing.T) {
	dir := t.TempDir()
	b, c := newBench(t, dir), labtest.NewCollector(t)
	for i := range 3 {
		sizes, err := b.deliver(c, 3)
		if err != nil || sizes[2] != int64(3*i+3) || b.seen(t) != sizes[2] {
			t.Fatalf("round %d: receipts of %v, %d seen; %v", i, sizes, b.seen(t), err)
		}
		b = newBench(t, dir)
	}
	all, err := b.Memories()
	if err != nil || len(all) != 1 || all[0].Collector != address || all[0].Key != c.Archive.VerifierKey() {
		t.Errorf("%+v, %v", all, err)
	}
	if open, err := b.Open(); len(open) > 0 || err != nil {
		t.Errorf("alarms: %+v, %v", open, err)
	}
	// A record that is kept already has the receipt of then.
	met, err := b.Meet(context.Background(), c, address)
	if err != nil {
		t.Fatal(err)
	}
	run := b.rig.Finish(labtest.Shape{Bare: true, Plain: true})
	first, err := met.Send(context.Background(), run.Signed, run.Parts())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.deliver(c, 3); err != nil {
		t.Fatal(err)
	}
	if met, err = b.Meet(context.Background(), c, address); err != nil {
		t.Fatal(err)
	}
	again, err := met.Send(context.Background(), run.Signed, nil)
	if err != nil || again.Receipt.Size != first.Receipt.Size || again.Receipt.SeenSize != 13 || b.seen(t) != 13 {
		t.Errorf("again: size %d from %d, %d seen; %v", again.Receipt.Size, again.Receipt.SeenSize, b.seen(t), err)
	}
}

// TestRefusesWhatDoesNotAdd shows a rig that has seen five entries another trail
// of the same name and key: with fewer entries, as many, and more. One with more that
// says what it has over five is proved to be another; of one that does not say so the
// present head is kept, which proves nothing alone.
func TestRefusesWhatDoesNotAdd(t *testing.T) {
	for _, x := range []struct {
		entries int
		silent  bool
		why     string
		now     int64 // of how many entries the alarm's head is
	}{{3, false, trail.ErrRolledBack.Error(), 3}, {5, false, trail.ErrForked.Error(), 5}, {8, false, trail.ErrForked.Error(), 5}, {8, true, "does not show", 8}} {
		b, honest, theirs := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
		theirs.Fill(t, x.entries, 1)
		var other grpc.ClientConnInterface = theirs
		if always := 1000; x.silent {
			other = hazy{theirs, &always, func(m *pb.GetHeadResponse) { m.Instead = nil }}
		}
		if _, err := b.deliver(honest, 5); err != nil {
			t.Fatal(err)
		}
		sizes, err := b.deliver(other, 1)
		var al audit.Alarm
		if !errors.As(err, &al) || !errors.Is(err, audit.ErrAlarm) || len(sizes) > 0 || !strings.Contains(al.Why, x.why) {
			t.Fatalf("%+v: %v", x, err)
		}
		if n, err := theirs.Archive.Check(context.Background()); err != nil || n.Runs != x.entries {
			t.Errorf("%+v: something was delivered: %d runs, %v", x, n.Runs, err)
		}
		signed, err := theirs.Archive.HeadAt(x.now)
		if err != nil {
			t.Fatal(err)
		}
		now, err := trail.OpenHead(signed, labtest.Verifiers(t, theirs.Archive.VerifierKey()))
		if err != nil || !strings.Contains(al.Error(), fmt.Sprintf("seen 5 %s on %s, now %d %s on ", al.Seen.Root, al.Seen.At.Format(time.DateTime), x.now, now.Root)) || fault.HintOf(al) == "" {
			t.Errorf("%+v: %v; hint %q", x, al, fault.HintOf(al))
		}
		evidence(t, al, honest.Archive.VerifierKey(), 5, x.now)

		// It stays the one alarm, however often the collector is met.
		for range 2 {
			if _, err := b.deliver(other, 1); !errors.Is(err, audit.ErrAlarm) {
				t.Errorf("met again: %v", err)
			}
		}
		open, err := b.Open()
		if err != nil || len(open) != 1 || open[0].Name != al.Name || b.seen(t) != 5 {
			t.Fatalf("open: %+v, %v; %d seen", open, err, b.seen(t))
		}

		// Once it is accepted, the refused head is the one that later ones add to.
		if _, err := b.Accept(al.Name[len(al.Name)-4:], "operator", "restored"); err != nil {
			t.Fatal(err)
		}
		if _, err := b.deliver(other, 2); err != nil || b.seen(t) != int64(x.entries+2) {
			t.Errorf("after it was accepted: %v, %d seen", err, b.seen(t))
		}
		if _, err := b.deliver(honest, 1); !errors.Is(err, audit.ErrAlarm) {
			t.Errorf("the trail of before: %v", err)
		}
		all, err := b.Alarms()
		if err != nil || len(all) != 2 || all[0].Accepted == nil || all[0].Accepted.By != "operator" {
			t.Errorf("all: %+v, %v", all, err)
		}
		evidence(t, all[0], honest.Archive.VerifierKey(), 5, x.now)
	}
}

// evidence opens both heads from their files with the collector's key alone.
func evidence(t testing.TB, al audit.Alarm, key string, seen, now int64) {
	t.Helper()
	for name, size := range map[string]int64{"seen.head": seen, "now.head": now} {
		b, err := os.ReadFile(filepath.Join(al.Folder, name))
		if err != nil {
			t.Fatal(err)
		}
		if h, err := trail.OpenHead(b, labtest.Verifiers(t, key)); err != nil || h.Size != size {
			t.Errorf("%s: %+v, %v; want size %d", name, h, err, size)
		}
	}
}

// TestRepairedTrail: a collector that shows the right trail again is delivered to,
// and accepting the alarm then does not take the wrong one for right.
func TestRepairedTrail(t *testing.T) {
	b, honest, other := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
	for range 2 {
		if _, err := b.deliver(honest, 2); err != nil {
			t.Fatal(err)
		}
		if _, err := b.deliver(other, 1); !errors.Is(err, audit.ErrAlarm) {
			t.Fatal(err)
		}
		if _, err := b.deliver(honest, 0); err != nil { // the very head that was seen
			t.Fatal(err)
		}
		open, err := b.Open()
		if err != nil || len(open) != 1 {
			t.Fatalf("%+v, %v", open, err)
		}
		if _, err := b.Accept(open[0].Name, "operator", "the keeper put the disk back"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.deliver(honest, 1); err != nil {
		t.Error(err)
	}
	if _, err := b.Accept("k3x9", "operator", "why"); err == nil || fault.HintOf(err) == "" {
		t.Errorf("no such alarm: %v, hint %q", err, fault.HintOf(err))
	}
}

// foreign is a collector with a key of its own.
func foreign(t testing.TB) (conn grpc.ClientConnInterface, key string) {
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), archive.Options{Key: labtest.Key(labtest.Seeded(8)), Origin: "plover.dome.example/trail", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return labtest.Connect(t, collect.New(a, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits)), a.VerifierKey()
}

func TestAnotherKey(t *testing.T) {
	b, honest := newBench(t, t.TempDir()), labtest.NewCollector(t)
	conn, key := foreign(t)
	if _, err := b.deliver(honest, 1); err != nil {
		t.Fatal(err)
	}
	_, err := b.deliver(conn, 1)
	var al audit.Alarm
	if !errors.As(err, &al) || !strings.Contains(al.Error(), "pinned "+honest.Archive.VerifierKey()+", now "+key) {
		t.Fatalf("%v", err)
	}
	if err := b.Pin(address, key); !errors.Is(err, audit.ErrAlarm) {
		t.Errorf("pinned over another: %v", err)
	}
	if _, err := b.Accept(al.Name, "operator", "a new collector"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.deliver(conn, 1); err != nil {
		t.Error(err)
	}
	// A key that was pinned before the first meeting.
	b = newBench(t, t.TempDir())
	if err := b.Pin(address, key); err != nil {
		t.Fatal(err)
	}
	if _, err := b.deliver(honest, 1); !errors.Is(err, audit.ErrAlarm) {
		t.Errorf("not the pinned key: %v", err)
	}
	if err := b.Pin(address, "nonsense"); err == nil {
		t.Error("nonsense is pinned")
	}
}

// TestOneTrailAtTwoAddresses: what was seen at one holds at the other.
func TestOneTrailAtTwoAddresses(t *testing.T) {
	b, honest, other := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
	if _, err := b.deliver(honest, 3); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Meet(context.Background(), other, "localhost:7410"); !errors.Is(err, audit.ErrAlarm) {
		t.Errorf("another trail of the key at another address: %v", err)
	}
	if _, err := b.Meet(context.Background(), honest, "[::1]:7410"); err != nil {
		t.Error(err)
	}
}

// rememberUntilKilled delivers to one collector over and over and tells the ledger
// what was seen.
func rememberUntilKilled(args []string) error {
	a, err := audit.Open(args[0], time.Now)
	if err != nil {
		return err
	}
	l, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	seed, err := strconv.ParseUint(args[3], 10, 64)
	if err != nil {
		return err
	}
	ctx := context.Background()
	conn, err := collect.Embedded(ctx, args[2], labtest.Quiet())
	if err != nil {
		return err
	}
	heron := labtest.NewRig("heron", labtest.Seeded(seed))
	met, err := a.Meet(ctx, conn, address)
	if err != nil {
		return err
	}
	for {
		run := heron.Finish(labtest.Shape{Bare: true, Plain: true, LogBytes: 100})
		reply, err := met.Send(ctx, run.Signed, run.Parts())
		if err != nil {
			return err
		}
		if err := l.Note("seen", reply.Receipt.Size); err != nil {
			return err
		}
	}
}

// TestKilledWhileItRemembers: no head that a receipt was taken for is forgotten.
func TestKilledWhileItRemembers(t *testing.T) {
	dir := t.TempDir()
	memory, ledger := filepath.Join(dir, "trails"), filepath.Join(dir, "ledger")
	r := labtest.Rand(t)
	for range 8 {
		c := labtest.Start(t, labtest.Role("rememberer", memory, ledger, filepath.Join(dir, "archive"), fmt.Sprint(r.Uint64())))
		c.Await(1+r.IntN(8), time.Minute)
		if !c.KillAfter(time.Duration(r.IntN(5000)) * time.Microsecond) {
			t.Fatalf("it ended by itself: %v", c.Wait())
		}
		entries, err := labtest.ReadLedger(ledger)
		if err != nil || len(entries) == 0 {
			t.Fatalf("%d entries, %v", len(entries), err)
		}
		var last int64
		if _, err := fmt.Sscan(entries[len(entries)-1][1], &last); err != nil {
			t.Fatal(err)
		}
		if b := newBench(t, memory); b.seen(t) < last {
			t.Fatalf("%d entries were seen, %d are remembered", last, b.seen(t))
		}
	}
}

// TestSlotHalfWritten: the memory of before is still there.
func TestSlotHalfWritten(t *testing.T) {
	dir := t.TempDir()
	b, c := newBench(t, dir), labtest.NewCollector(t)
	if _, err := b.deliver(c, 4); err != nil {
		t.Fatal(err)
	}
	slots, err := filepath.Glob(filepath.Join(dir, "memory", "*"))
	if err != nil || len(slots) != 2 {
		t.Fatal(slots, err)
	}
	for _, slot := range slots {
		whole, err := os.ReadFile(slot)
		if err != nil {
			t.Fatal(err)
		}
		for _, cut := range []int{0, 1, 100, strings.IndexByte(string(whole), '\n') + 10} {
			if err := os.WriteFile(slot, whole[:cut], 0o600); err != nil {
				t.Fatal(err)
			}
			if n := b.seen(t); n != 3 && n != 4 {
				t.Errorf("cut to %d bytes: %d seen", cut, n)
			}
		}
		if err := os.WriteFile(slot, whole, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, slot := range slots {
		if err := os.WriteFile(slot, []byte("nonsense\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.deliver(c, 1); err == nil || fault.HintOf(err) == "" {
		t.Errorf("both damaged: %v", err)
	}
}

// TestFullDisk: a collector met for the first time, and one known, on a disk
// that takes nothing more.
func TestFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "200k")
	b, c := newBench(t, filepath.Join(dir, "trails")), labtest.NewCollector(t)
	f, err := os.Create(filepath.Join(dir, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	f.Close()
	if _, err := b.deliver(c, 3); err != nil || b.seen(t) != 3 {
		t.Errorf("%v, %d seen", err, b.seen(t))
	}
}

// TestNamesOfOneSecond: alarms that are raised within one second have a name each,
// and their evidence, whatever letters are drawn.
func TestNamesOfOneSecond(t *testing.T) {
	at := time.Date(2031, 3, 2, 9, 3, 12, 0, time.UTC)
	a, err := audit.Open(t.TempDir(), func() time.Time { return at })
	if err != nil {
		t.Fatal(err)
	}
	s, err := newScribe()
	if err != nil {
		t.Fatal(err)
	}
	drawn := []string{"k3x9", "k3x9", "k3x9", "b7wq"}
	audit.SetLetters(t, func() string {
		next := drawn[0]
		drawn = drawn[1:]
		return next
	})
	for _, collector := range []string{address, "other.dome.example:7410"} {
		var al audit.Alarm
		for _, sh := range []showing{right, back} {
			err := s.shows(sh.size, sh.branch, sh.instead)
			if err == nil {
				_, err = a.Meet(t.Context(), s, collector)
			}
			if errors.As(err, &al) != (sh == back) {
				t.Fatal(err)
			}
		}
		evidence(t, al, s.key, seenBefore, back.size)
	}
	if all, err := a.Alarms(); err != nil || len(all) != 2 || all[0].Name == all[1].Name || len(drawn) > 0 {
		t.Errorf("%v, %v; not drawn: %q", all, err, drawn)
	}
}
