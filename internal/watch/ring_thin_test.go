package watch

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

func init() { roles["tidier"] = tidyUntilKilled }

// TestSlower: what is kept was sampled, the extremes of each stretch are kept,
// and several goes give what the slowest alone gives, in whatever order.
func TestSlower(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var offsets, values []int64
		at := rapid.Int64Range(0, 1e6).Draw(t, "from")
		for range rapid.IntRange(0, 300).Draw(t, "samples") {
			at += rapid.Int64Range(1, 400).Draw(t, "apart")
			offsets, values = append(offsets, at), append(values, rapid.Int64Range(-9, 9).Draw(t, "value"))
		}
		fine := rapid.Int64Range(1, 500).Draw(t, "pace")
		slow := fine << rapid.IntRange(0, 5).Draw(t, "doubled")
		o1, v1 := slower(offsets, values, fine)
		o2, v2 := slower(offsets, values, slow)
		for _, order := range [][2]int64{{fine, slow}, {slow, fine}} {
			o, v := slower(offsets, values, order[0])
			if o, v = slower(o, v, order[1]); !slices.Equal(o, o2) || !slices.Equal(v, v2) {
				t.Fatalf("%v at %d, then %d: %v, want %v", offsets, order[0], order[1], o, o2)
			}
		}
		if len(offsets) > 0 && (slices.Min(v2) != slices.Min(values) || slices.Max(v1) != slices.Max(values)) {
			t.Fatalf("of %v is left %v", values, v1)
		}
		for i, o := range o1 {
			if k, ok := slices.BinarySearch(offsets, o); !ok || values[k] != v1[i] {
				t.Fatalf("nothing was sampled at %d", o)
			}
		}
		stretches := map[int64]int{}
		for _, o := range o2 {
			stretches[o/(slow*stretchOf)]++
		}
		for _, n := range stretches {
			if n > stretchOf+2 {
				t.Fatalf("%d samples are left of a stretch", n)
			}
		}
	})
}

// crowd makes pieces of many signals for a second a pass, thirty passes a piece. Each
// reads 9999 once in a while, at a pass of its own.
type crowd struct {
	*machine
	rand    *rand.Rand
	signals int
	spikes  map[rig.Key][]time.Duration
}

func (c *crowd) piece() Piece {
	var p Piece
	signals := make([]probe.Drained, c.signals)
	for i := range 30 {
		c.pass(time.Second)
		if i == 0 {
			p.From = c.Read()
		}
		for k := range signals {
			s := &signals[k]
			if s.Signal = (rig.Signal{Key: rig.Of("cpu", fmt.Sprint(k), "clock"), Unit: rig.MHz, Source: "/sys/clock", Offsets: s.Offsets, Values: s.Values}); k == 0 {
				s.Exponent = -3
			}
			v := 4000 + c.rand.Int64N(500)
			switch {
			case k == 0:
				v = c.since.Milliseconds()
			case int(c.since/time.Second)%1000 == k:
				v, c.spikes[s.Key] = 9999, append(c.spikes[s.Key], c.since)
			}
			s.Offsets, s.Values = append(s.Offsets, c.since), append(s.Values, v)
		}
	}
	p.To, p.Signals = c.Read(), signals
	return p
}

func sizeOf(t testing.TB, dir string) (n int64) {
	t.Helper()
	names, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range names {
		if i, err := e.Info(); err == nil {
			n += i.Size()
		}
	}
	return n
}

// TestTheRingThinsWhatIsOld: of many more signals than the ring has room for two
// hours are there all the same, with every peak, and the cut says what was done.
func TestTheRingThinsWhatIsOld(t *testing.T) {
	dir := t.TempDir()
	const bytes = 160 << 10
	r := openRing(t, dir, RingBounds{Bytes: bytes})
	c := crowd{newMachine(), labtest.Seeded(7), 40, map[rig.Key][]time.Duration{}}
	for range 300 {
		if err := r.Append(c.piece()); err != nil {
			t.Fatal(err)
		}
		if n := sizeOf(t, dir); n > bytes {
			t.Fatalf("the ring takes %d bytes", n)
		}
	}
	quiet(r)
	to := c.Read().Instant()
	from := to.Add(-2 * time.Hour)
	cut, by := cutOf(t, r, from, to)
	if len(cut.Gaps) != 0 || len(by) != 40 {
		t.Errorf("%d signals, gaps %v", len(by), cut.Gaps)
	}
	peaks := 0
	for k, s := range by {
		for _, at := range c.spikes[k] {
			if at < from.At {
				continue
			}
			if i := slices.Index(s.Offsets, at-from.At); i < 0 || s.Values[i] != 9999 {
				t.Errorf("%s: the peak at %v is gone", k, at-from.At)
			}
			peaks++
		}
		for i, o := range s.Offsets[1:] {
			if o-s.Offsets[i] > 2*time.Minute {
				t.Errorf("%s: nothing between %v and %v", k, s.Offsets[i], o)
			}
		}
	}
	if peaks < 7*39 {
		t.Errorf("%d peaks", peaks)
	}
	if len(cut.Remarks) != 1 || !strings.HasPrefix(cut.Remarks[0], "the ring of signals was full: from 0s to ") {
		t.Errorf("%q", cut.Remarks)
	}
	older, newer := samplesIn(t, r, from), samplesIn(t, r, to.Add(-20*time.Minute))
	if older*5/4 > newer {
		t.Errorf("%d samples of old minutes, %d of late ones", older, newer)
	}
	late, _ := cutOf(t, r, to.Add(-time.Second), to)
	if len(late.Remarks) != 0 {
		t.Errorf("what has just been sampled: %q", late.Remarks)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	r = openRing(t, dir, RingBounds{Bytes: bytes})
	again, _ := cutOf(t, r, from, to)
	if d := cmp.Diff(cut, again); d != "" {
		t.Error(d)
	}
	t.Logf("%d bytes, %d segments, %q", sizeOf(t, dir), len(r.segments), cut.Remarks)
	damageOne(t, r, from, to)
}

// quiet waits until nothing is being thinned.
func quiet(r *Ring) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.tidying {
		r.changed.Wait()
	}
}

func samplesIn(t *testing.T, r *Ring, from Instant) int {
	c, _ := cutOf(t, r, from, from.Add(20*time.Minute))
	return rig.Samples(c.Signals)
}

// damageOne changes a byte in the midst of the ring: what is missing then lies in
// that segment.
func damageOne(t *testing.T, r *Ring, from, to Instant) {
	s := r.segments[len(r.segments)/2]
	f, err := os.OpenFile(s.path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 1)
	if _, err := f.ReadAt(b, s.size/2); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 1
	if _, err := f.WriteAt(b, s.size/2); err != nil {
		t.Fatal(err)
	}
	c, _ := cutOf(t, r, from, to)
	if len(c.Gaps) != 1 || from.At+c.Gaps[0].From < s.from-mostApart || from.At+c.Gaps[0].To > s.to+mostApart {
		t.Errorf("%v is damaged, and missing is %v", s, c.Gaps)
	}
}

// TestALongCutIsThinned: a span of more samples than fit is evenly thinned.
func TestALongCutIsThinned(t *testing.T) {
	r := openRing(t, t.TempDir(), RingBounds{})
	c := crowd{newMachine(), labtest.Seeded(8), 12, map[rig.Key][]time.Duration{}}
	for range 40 {
		if err := r.Append(c.piece()); err != nil {
			t.Fatal(err)
		}
	}
	x := newCutting(Instant{"boot-0", 0}, c.since)
	x.most = 2000
	most := 0
	err := r.read(everything, all, func(h heads, p piece) bool { x.add(h, p); most = max(most, x.samples); return true })
	if err != nil {
		t.Fatal(err)
	}
	got := x.cut("")
	if n := rig.Samples(got.Signals); n > 2000 || n < 500 || most > 2000 {
		t.Errorf("%d samples, %d meanwhile", n, most)
	}
	for _, s := range got.Signals {
		for _, at := range c.spikes[s.Key] {
			if !slices.Contains(s.Offsets, at) {
				t.Errorf("%s: the peak at %v is gone", s.Key, at)
			}
		}
	}
	if len(got.Remarks) != 1 || !strings.HasPrefix(got.Remarks[0], "the span has more samples than ") {
		t.Errorf("%q", got.Remarks)
	}
}

// tidyUntilKilled overfills a ring, and ends after a number of changes that tidying
// makes in its folder.
func tidyUntilKilled(args []string) error {
	left, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	struck = func() {
		if left--; left == 0 {
			if self, err := os.FindProcess(os.Getpid()); err == nil {
				self.Kill()
			}
			select {}
		}
	}
	r, err := OpenRing(args[0], RingBounds{Bytes: 8 << 10})
	if err != nil {
		return err
	}
	ledger, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	m := newMachine()
	for range 100 {
		p := m.piece()
		if err := r.Append(p); err != nil {
			return err
		}
		if err := ledger.Note("kept", int64(p.From.SinceBoot), int64(p.To.SinceBoot)); err != nil {
			return err
		}
	}
	return r.Close()
}

// TestKilledTidier kills a process after one change in four of the folder, each in turn, by which old
// signals are thinned: nothing that was kept is missing or there twice, nothing is
// left over, and the ring goes on.
func TestKilledTidier(t *testing.T) {
	step := 4
	if testing.Short() || labtest.Race {
		step = 12
	}
	kills := 0
	for n := 1 + labtest.Rand(t).IntN(step); ; n += step {
		dir := t.TempDir()
		folder, book := filepath.Join(dir, "ring"), filepath.Join(dir, "ledger")
		ended := labtest.Start(t, labtest.Role("tidier", folder, book, fmt.Sprint(n))).Wait()
		entries, err := labtest.ReadLedger(book)
		if err != nil || len(entries) == 0 {
			t.Fatal(len(entries), err, ended)
		}
		first, _ := strconv.ParseInt(entries[0][1], 10, 64)
		last, _ := strconv.ParseInt(entries[len(entries)-1][2], 10, 64)
		r := openRing(t, folder, RingBounds{Bytes: 8 << 10})
		from, to := Instant{"boot-0", time.Duration(first)}, Instant{"boot-0", time.Duration(last)}
		c, by := cutOf(t, r, from, to)
		clock := by["cpu[0].clock"]
		if len(c.Gaps) != 0 || !slices.IsSorted(clock.Offsets) || len(slices.Compact(slices.Clone(clock.Offsets))) != len(clock.Offsets) {
			t.Fatalf("after %d changes: gaps %v, offsets %v", n, c.Gaps, clock.Offsets)
		}
		names, _ := os.ReadDir(folder)
		if len(names) != len(r.segments)+1 { // the lock
			t.Fatalf("after %d changes: %v", n, names)
		}
		m := newMachine()
		m.pass(to.At)
		m.append(t, r, 20)
		r.Close()
		if ended == nil {
			break
		}
		kills++
	}
	t.Logf("%d kills", kills)
	if kills < 3 {
		t.Errorf("only %d kills", kills)
	}
}
