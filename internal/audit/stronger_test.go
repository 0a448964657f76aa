package audit_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// scribe is a collector that signs whatever head it is told to, and proves none.
type scribe struct {
	grpc.ClientConnInterface
	key    string
	signer note.Signer
	head   []byte
	other  []byte // what it says to have instead of the head seen

	cosigned []*pb.CosignedHead
}

func newScribe() (*scribe, error) {
	const origin = "collector.dome.example/trail"
	key := labtest.Key(labtest.Seeded(5))
	text, err := trail.VerifierKey(origin, key.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	signer, err := trail.NewSigner(origin, key)
	return &scribe{key: text, signer: signer}, err
}

// sign gives the head of a size on a branch, each of which has roots of its own.
func (s *scribe) sign(size int64, branch byte) ([]byte, error) {
	return trail.SignHead(trail.Head{Origin: s.signer.Name(), Size: size, Root: trail.Hash{branch, byte(size)}}, s.signer)
}

// shows has it show a head from now on, and where instead is not 0 one of that branch
// in the place of the nine entries that were seen.
func (s *scribe) shows(size int64, branch, instead byte) (err error) {
	if s.other = nil; instead != 0 {
		s.other, err = s.sign(seenBefore, instead)
	}
	head, e := s.sign(size, branch)
	s.head = head
	return errors.Join(err, e)
}

func (s *scribe) Invoke(_ context.Context, _ string, args, reply any, _ ...grpc.CallOption) error {
	m, ok := reply.(*pb.GetHeadResponse)
	if !ok {
		return errors.New("it is asked for something else than its head")
	}
	m.VerifierKey, m.Head, m.Instead, m.Cosigned = s.key, s.head, [][]byte{s.other}, s.cosigned
	for range args.(*pb.GetHeadRequest).GetSeen() {
		m.Consistency = append(m.Consistency, &pb.Consistency{})
	}
	return nil
}

// seenBefore is how many entries were seen before the collector shows others.
const seenBefore = 9

// showing is one contact with the collector.
type showing struct {
	size            int64
	branch, instead byte
}

var (
	back    = showing{7, 'b', 0}          // fewer entries
	backTo5 = showing{5, 'c', 0}          // and fewer still
	past    = showing{12, 'b', 'b'}       // more, and what it has in the place of those seen
	silent  = showing{12, 'b', 0}         // more, without that
	forked  = showing{seenBefore, 'd', 0} // as many
	right   = showing{seenBefore, 'a', 0} // what was seen
)

// TestStrongerPair shows a rig one head after the other that does not add to the nine
// entries that it has seen. Its one alarm is of those two heads that prove most, names
// what it was before, and keeps the evidence of that as it was.
func TestStrongerPair(t *testing.T) {
	rolledBack, fork, unproved := trail.ErrRolledBack.Error(), trail.ErrForked.Error(), "does not show"
	worth := map[string]string{rolledBack: "; once", fork: ", which proves it to anybody", unproved: ", which proves nothing by itself: "}
	for name, x := range map[string]struct {
		shown []showing
		why   []string // of the alarm, and of what it was before
		now   []int64  // sizes of their heads
	}{
		"put back":                             {[]showing{back}, []string{rolledBack}, []int64{7}},
		"put back, then gone on":               {[]showing{back, past}, []string{fork, rolledBack}, []int64{9, 7}},
		"put back, then as many":               {[]showing{back, forked}, []string{fork, rolledBack}, []int64{9, 7}},
		"not proved, put back, gone on":        {[]showing{silent, back, past}, []string{fork, rolledBack, unproved}, []int64{9, 7, 12}},
		"not proved, then gone on":             {[]showing{silent, past}, []string{fork, unproved}, []int64{9, 12}},
		"put back, then not proved":            {[]showing{back, silent}, []string{rolledBack}, []int64{7}},
		"put back twice":                       {[]showing{back, backTo5}, []string{rolledBack}, []int64{7}},
		"gone on, then put back":               {[]showing{past, back, silent}, []string{fork}, []int64{9}},
		"gone on, then another of as many":     {[]showing{past, forked}, []string{fork}, []int64{9}},
		"put back, gone on, put back, gone on": {[]showing{back, past, back, past, silent}, []string{fork, rolledBack}, []int64{9, 7}},
		"put back, mended, gone on":            {[]showing{back, right, past}, []string{fork, rolledBack}, []int64{9, 7}},
	} {
		t.Run(name, func(t *testing.T) {
			b, s := metScribe(t, t.TempDir())
			var al audit.Alarm
			for i, sh := range x.shown {
				first := al.Name
				if err := s.shows(sh.size, sh.branch, sh.instead); err != nil {
					t.Fatal(err)
				}
				_, err := b.Meet(t.Context(), s, address)
				if sh == right && err == nil {
					continue
				}
				if !errors.As(err, &al) || i > 0 && al.Name != first || b.seen(t) != seenBefore {
					t.Fatalf("contact %d: %v after %s; %d seen", i, err, first, b.seen(t))
				}
			}
			open, err := b.Open()
			if err != nil || len(open) != 1 || open[0].Error() != al.Error() {
				t.Fatalf("open: %+v, %v; it said %v", open, err, al)
			}
			if ok, err := b.Refuses(open[0]); !ok || err != nil {
				t.Errorf("it is not what the collector showed last: %v", err)
			}
			var chain []audit.Alarm
			for o := &open[0]; o != nil; o = o.Before {
				chain = append(chain, *o)
			}
			if len(chain) != len(x.why) {
				t.Fatalf("%d pairs of heads, want %d: %v", len(chain), len(x.why), al)
			}
			for i, o := range chain {
				if !strings.Contains(o.Why, x.why[i]) || o.Now.Size != x.now[i] || o.Seen.Size != seenBefore || !o.At.Equal(chain[0].At) {
					t.Errorf("pair %d: %v, want %s of %d entries", i, o, x.why[i], x.now[i])
				}
				evidence(t, o, s.key, seenBefore, x.now[i])
				if want := o.Folder + worth[x.why[i]]; !strings.Contains(o.Hint(), want) {
					t.Errorf("pair %d: hint %q, want %s", i, o.Hint(), want)
				}
				if said := fmt.Sprintf("%s: now %v", o.Why, o.Now); i > 0 && (!strings.Contains(al.Error(), "before that: "+said) || !strings.Contains(al.Reason(), said)) {
					t.Errorf("%v; %s: they do not tell: %s", al, al.Reason(), said)
				}
			}
		})
	}
}

// metScribe is a rig with its memory in a folder that has seen nine entries of a scribe's trail.
func metScribe(t testing.TB, dir string) (bench, *scribe) {
	t.Helper()
	b := newBench(t, dir)
	s, err := newScribe()
	if err == nil {
		err = s.shows(right.size, right.branch, 0)
	}
	if err == nil {
		_, err = b.Meet(t.Context(), s, address)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b, s
}

// contents gives the files under a folder, by their paths in it.
func contents(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		name, _ := filepath.Rel(dir, path)
		out[filepath.ToSlash(name)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// accused has the collector show something, over which there must be an alarm.
func accused(t testing.TB, b bench, s *scribe, sh showing) (al audit.Alarm) {
	t.Helper()
	err := s.shows(sh.size, sh.branch, sh.instead)
	if err == nil {
		_, err = b.Meet(t.Context(), s, address)
	}
	if !errors.As(err, &al) {
		t.Fatal(err)
	}
	return al
}

// TestStrongerPairOnDisk: the first pair of an alarm stays as it was, by which an agent
// of before reads it, and the stronger one lies in a folder of its own that tells alone
// what it was before. Accepting closes the alarm for both.
func TestStrongerPairOnDisk(t *testing.T) {
	b, s := metScribe(t, t.TempDir())
	first := accused(t, b, s, back)
	before := contents(t, first.Folder)
	if got := slices.Sorted(maps.Keys(before)); !slices.Equal(got, []string{"alarm.json", "now.head", "seen.head"}) {
		t.Fatalf("an alarm has %q", got)
	}
	var keys map[string]any
	if err := json.Unmarshal([]byte(before["alarm.json"]), &keys); err != nil {
		t.Fatal(err)
	}
	if got := slices.Sorted(maps.Keys(keys)); !slices.Equal(got, []string{"at", "collector", "folder", "name", "now", "seen", "why"}) {
		t.Errorf("an alarm of one pair tells %q", got)
	}

	al := accused(t, b, s, past)
	if al.Folder != filepath.Join(first.Folder, "stronger") || !strings.Contains(al.Hint(), al.Folder+", which proves it to anybody") || strings.Contains(first.Hint(), "anybody") {
		t.Errorf("%s; before: %s", al.Hint(), first.Hint())
	}
	after := contents(t, first.Folder)
	for name, was := range before {
		if after[name] != was {
			t.Errorf("%s was %q, and is %q", name, was, after[name])
		}
	}
	if after["stronger/seen.head"] != before["seen.head"] || after["stronger/now.head"] != string(s.other) {
		t.Errorf("the stronger pair is %q", after)
	}
	var told audit.Alarm
	if err := json.Unmarshal([]byte(after["stronger/alarm.json"]), &told); err != nil || told.Why != trail.ErrForked.Error() || told.Before == nil || told.Before.Why != first.Why || told.Before.Now.Root != first.Now.Root {
		t.Errorf("alone it tells %+v, %v", told, err)
	}

	if _, err := b.Accept(first.Name, "operator", "the disk was put back"); err != nil {
		t.Fatal(err)
	}
	if contents(t, first.Folder)["accepted.json"] == "" {
		t.Error("for an agent of before it is open")
	}
	all, err := b.Alarms()
	if err != nil || len(all) != 1 || all[0].Accepted == nil || all[0].Folder != al.Folder {
		t.Errorf("%+v, %v", all, err)
	}
	m, err := b.Memories()
	if err != nil || len(m) != 1 || m[0].Head != string(s.other) || m[0].Refused != "" {
		t.Errorf("accepted, it has seen %+v, %v", m, err)
	}
}

// TestStrongerPairOfACollector: the same by a collector's own trail, also where it has
// changed its key since. What follows on the head of the evidence is taken once the
// alarm is accepted.
func TestStrongerPairOfACollector(t *testing.T) {
	for _, changed := range []bool{false, true} {
		b, whole, back := newBench(t, t.TempDir()), labtest.NewCollector(t), labtest.NewCollector(t)
		if _, err := b.deliver(whole, 5); err != nil {
			t.Fatal(err)
		}
		back.Fill(t, 3, 1)
		var raised, al audit.Alarm
		if _, err := b.deliver(back, 1); !errors.As(err, &raised) || raised.Why != trail.ErrRolledBack.Error() {
			t.Fatal(err)
		}
		back.Fill(t, 5, 2)
		if changed {
			rekey(t, back.Archive, 21)
		}
		if _, err := b.deliver(back, 1); !errors.As(err, &al) || al.Why != trail.ErrForked.Error() || al.Name != raised.Name || al.Before == nil {
			t.Fatalf("after %v it is %v", raised, err)
		}
		evidence(t, *al.Before, whole.Archive.VerifierKey(), 5, 3)
		for name, key := range map[string]string{"seen.head": whole.Archive.VerifierKey(), "now.head": back.Archive.VerifierKey()} {
			signed, err := os.ReadFile(filepath.Join(al.Folder, name))
			if err != nil {
				t.Fatal(err)
			}
			if h, err := trail.OpenHead(signed, labtest.Verifiers(t, key)); err != nil || h.Size != 5 {
				t.Errorf("%s: %+v, %v", name, h, err)
			}
		}
		if _, err := b.Accept(al.Name, "operator", "the disk was lost"); err != nil {
			t.Fatal(err)
		}
		now, _, err := back.Archive.Head()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.deliver(back, 1); err != nil || b.seen(t) != now.Size+1 {
			t.Errorf("accepted: %v, %d seen, %d of the collector", err, b.seen(t), now.Size)
		}
	}
}

// accuseUntilKilled raises one alarm after the other and has each take up a stronger
// pair, and tells the ledger what is written down.
func accuseUntilKilled(args []string) error {
	a, err := audit.Open(args[0], time.Now)
	if err != nil {
		return err
	}
	l, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	s, err := newScribe()
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		collector := fmt.Sprintf("%s-%d.dome.example:7410", args[2], i)
		for pairs, sh := range []showing{right, silent, back, past} {
			if err := s.shows(sh.size, sh.branch, sh.instead); err != nil {
				return err
			}
			var al audit.Alarm
			switch _, err := a.Meet(context.Background(), s, collector); {
			case pairs == 0 && err != nil, pairs > 0 && !errors.As(err, &al), al.Unkept != nil:
				return fmt.Errorf("shown %+v: %w", sh, err)
			}
			if err := l.Note(collector, pairs); err != nil {
				return err
			}
		}
	}
}

// TestKilledWhileItTakesUp: an alarm whose agent is killed has the pair of before or
// the stronger one, each whole, and none less than what was written down.
func TestKilledWhileItTakesUp(t *testing.T) {
	dir := t.TempDir()
	trails, ledger := filepath.Join(dir, "trails"), filepath.Join(dir, "ledger")
	r := labtest.Rand(t)
	s, err := newScribe()
	if err != nil {
		t.Fatal(err)
	}
	for round := range 6 {
		c := labtest.Start(t, labtest.Role("accuser", trails, ledger, fmt.Sprint("round", round)))
		c.Await(4+r.IntN(8), time.Minute)
		if !c.KillAfter(time.Duration(r.IntN(5000)) * time.Microsecond) {
			t.Fatalf("it ended by itself: %v", c.Wait())
		}
	}
	told := map[string]int{}
	entries, err := labtest.ReadLedger(ledger)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		var pairs int
		if _, err := fmt.Sscan(e[1], &pairs); err != nil {
			t.Fatal(err)
		}
		told[e[0]] = pairs
	}
	all, err := newBench(t, trails).Alarms()
	if err != nil {
		t.Fatal(err)
	}
	for _, al := range all {
		pairs := 0
		for o := &al; o != nil; o = o.Before {
			pairs++
			evidence(t, *o, s.key, seenBefore, o.Now.Size)
		}
		if pairs < told[al.Collector] || pairs > told[al.Collector]+1 {
			t.Errorf("%s: %d pairs are kept, %d were told of", al.Collector, pairs, told[al.Collector])
		}
		delete(told, al.Collector)
	}
	for collector, pairs := range told {
		if pairs > 0 {
			t.Errorf("%s: no alarm is kept, and one was told of", collector)
		}
	}
}

// TestHalfTakenUp: a stronger pair that was not written to its end is none, and is taken
// up when the collector is met again.
func TestHalfTakenUp(t *testing.T) {
	b, s := metScribe(t, t.TempDir())
	if err := s.shows(back.size, back.branch, back.instead); err != nil {
		t.Fatal(err)
	}
	var al audit.Alarm
	if _, err := b.Meet(t.Context(), s, address); !errors.As(err, &al) {
		t.Fatal(err)
	}
	half := filepath.Join(filepath.Dir(al.Folder), ".new-1234")
	if err := errors.Join(os.Mkdir(half, 0o700), os.WriteFile(filepath.Join(half, "alarm.json"), bytes.Repeat([]byte(" "), 10), 0o600)); err != nil {
		t.Fatal(err)
	}
	if open, err := b.Open(); err != nil || len(open) != 1 || open[0].Error() != al.Error() {
		t.Errorf("%+v, %v; want %v", open, err, al)
	}
	if err := s.shows(past.size, past.branch, past.instead); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Meet(t.Context(), s, address); !errors.As(err, &al) || al.Before == nil {
		t.Errorf("%v", err)
	}
}
