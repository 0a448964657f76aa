package watch

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
)

func openRing(t testing.TB, dir string, b RingBounds) *Ring {
	t.Helper()
	r, err := OpenRing(dir, b)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// piece lets the machine run for a second with ten passes. The clock signal's
// values are the offsets of its passes in milliseconds, so that whoever finds a
// sample knows where it must lie.
func (m *machine) piece(extra ...probe.Drained) Piece {
	m.pass(100 * time.Millisecond)
	p := Piece{From: m.Read(), Cost: probe.Cost{CPU: m.since / 1000, PeakRSS: 1 << 20}}
	clock := probe.Drained{Signal: rig.Signal{Key: "cpu[0].clock", Unit: rig.MHz, Exponent: -3, Source: "/sys/clock",
		Limits: []rig.Limit{{Name: "max", Value: 80.5}}}}
	energy := probe.Drained{Signal: rig.Signal{Key: "energy[package-0]", Unit: rig.Joule, Exponent: -6, Source: "/sys/energy", Counter: true}}
	for i := range 10 {
		if i > 0 {
			m.pass(100 * time.Millisecond)
		}
		clock.Offsets, clock.Values = append(clock.Offsets, m.since), append(clock.Values, m.since.Milliseconds())
		energy.Offsets, energy.Values = append(energy.Offsets, m.since), append(energy.Values, int64(m.since-m.asleep)/1000)
	}
	p.To = m.Read()
	missing := probe.Drained{Signal: rig.Signal{Key: "fan[]", Unit: rig.RPM, Source: "/sys/fan", Unread: rig.Unread{Reason: rig.Absent}}}
	p.Signals = append([]probe.Drained{clock, energy, missing}, extra...)
	return p
}

func (m *machine) append(t testing.TB, r *Ring, pieces int) {
	t.Helper()
	for range pieces {
		if err := r.Append(m.piece()); err != nil {
			t.Fatal(err)
		}
	}
}

func cutOf(t testing.TB, r *Ring, from, to Instant) (Cut, map[rig.Key]rig.Signal) {
	t.Helper()
	c, err := r.Cut(from, to)
	if err != nil {
		t.Fatal(err)
	}
	by := map[rig.Key]rig.Signal{}
	for _, s := range c.Signals {
		if len(s.Offsets) != len(s.Values) || (len(s.Values) == 0) == (s.Unread.Reason == "") {
			t.Fatalf("%s: %d offsets, %d values, %v", s.Key, len(s.Offsets), len(s.Values), s.Unread)
		}
		if s.Key == "cpu[0].clock" {
			for i, o := range s.Offsets {
				if want := (from.At + o).Milliseconds(); s.Values[i] != want {
					t.Fatalf("the sample at %v reads %d, want %d", o, s.Values[i], want)
				}
			}
		}
		by[s.Key] = s
	}
	return c, by
}

func TestCutGivesTheSpan(t *testing.T) {
	r, m := openRing(t, t.TempDir(), RingBounds{}), newMachine()
	m.append(t, r, 60)
	from, to := Instant{"boot-0", 20 * time.Second}, Instant{"boot-0", 30 * time.Second}
	c, by := cutOf(t, r, from, to)
	if n := len(by["cpu[0].clock"].Values); n != 101 || len(c.Gaps) != 0 || len(by) != 3 {
		t.Errorf("%d samples, gaps %v, %d signals", n, c.Gaps, len(by))
	}
	s := by["cpu[0].clock"]
	s.Offsets, s.Values = nil, nil
	want := rig.Signal{Key: "cpu[0].clock", Unit: rig.MHz, Exponent: -3, Source: "/sys/clock", Limits: []rig.Limit{{Name: "max", Value: 80.5}}}
	if d := cmp.Diff(want, s); d != "" {
		t.Error(d)
	}
	if !by["energy[package-0]"].Counter || by["fan[]"].Unread.Reason != rig.Absent {
		t.Errorf("%v", by)
	}
	if c.Cost.CPU < 9*time.Millisecond || c.Cost.CPU > 12*time.Millisecond || c.Cost.PeakRSS != 1<<20 {
		t.Errorf("cost %v", c.Cost)
	}
}

// TestGapsAreTold: the agent did not run, the machine slept, the agent was held
// up, and the device appeared late.
func TestGapsAreTold(t *testing.T) {
	dir := t.TempDir()
	m := newMachine()
	r := openRing(t, dir, RingBounds{})
	begun := m.Read().Instant()
	m.append(t, r, 10)
	m.sleep(time.Hour)
	m.append(t, r, 10)
	m.pass(10 * time.Second)
	m.append(t, r, 10)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	m.pass(time.Minute)
	r = openRing(t, dir, RingBounds{})
	m.append(t, r, 10)
	late := probe.Drained{Signal: rig.Signal{Key: "link[a].speed", Unit: rig.GTps, Source: "/sys/link", Offsets: []time.Duration{m.since + time.Second}, Values: []int64{160}}}
	if err := r.Append(m.piece(late)); err != nil {
		t.Fatal(err)
	}
	end := m.Read().Instant()
	c, by := cutOf(t, r, begun, end.Add(time.Minute))
	var told []string
	for _, g := range c.Gaps {
		told = append(told, fmt.Sprintf("%v %s", (g.To-g.From).Round(time.Second), g.Detail))
	}
	want := []string{
		"1h0m0s the agent was held up and made no pass, and the machine was suspended for 1h0m0s",
		"10s the agent was held up and made no pass",
		"1m0s the agent was not running",
		"1m0s nothing was sampled after that",
	}
	want[0] = "1h0m0s the machine was suspended for 1h0m0s"
	if d := cmp.Diff(want, told); d != "" {
		t.Error(d)
	}
	if g := by["cpu[0].clock"].Gaps; len(g) != 4 {
		t.Errorf("the clock's gaps %v", g)
	}
	if l := by["link[a].speed"]; len(l.Values) != 1 || len(l.Gaps) == 0 || l.Gaps[0].Unread != notThere {
		t.Errorf("a device that appeared: %v", l)
	}
	for name, span := range map[string][2]Instant{
		"older than what the ring of signals holds":            {{"boot-0", 0}, {"boot-0", 8 * time.Second}},
		"the ring of signals holds nothing of that boot":       {{"boot-7", 0}, {"boot-7", 8 * time.Second}},
		"the span does not lie within one boot of the machine": {{"boot-7", 0}, {"boot-0", 8 * time.Second}},
		"the machine was suspended for 1h0m0s":                 {begun.Add(20 * time.Minute), begun.Add(30 * time.Minute)},
		"nothing was sampled after that":                       {end.Add(time.Hour), end.Add(2 * time.Hour)},
	} {
		_, by := cutOf(t, r, span[0], span[1])
		if got := by["cpu[0].clock"].Unread; got.Reason != rig.Absent || got.Detail != name {
			t.Errorf("want %q, got %q", name, got)
		}
	}
}

func TestCountersGoOn(t *testing.T) {
	dir := t.TempDir()
	m := newMachine()
	r := openRing(t, dir, RingBounds{})
	m.append(t, r, 10)
	r.Close()
	m.asleep += 9 * time.Second // the counter stands lower than before
	r = openRing(t, dir, RingBounds{})
	m.append(t, r, 10)
	_, by := cutOf(t, r, Instant{"boot-0", 0}, m.Read().Instant())
	if v := by["energy[package-0]"].Values; len(v) != 200 || !slices.IsSorted(v) {
		t.Errorf("%v", v)
	}
}

func TestTheRingStaysWithinItsBounds(t *testing.T) {
	dir := t.TempDir()
	r, m := openRing(t, dir, RingBounds{Keep: 10 * time.Minute}), newMachine()
	size := func() (n int64) {
		names, _ := os.ReadDir(dir)
		for _, e := range names {
			if i, err := e.Info(); err == nil {
				n += i.Size()
			}
		}
		return n
	}
	m.append(t, r, 1800)
	c, _ := cutOf(t, r, m.Read().Instant().Add(-10*time.Minute), m.Read().Instant())
	if len(c.Gaps) != 0 {
		t.Errorf("not all of the last minutes is there: %v", c.Gaps)
	}
	c, _ = cutOf(t, r, m.Read().Instant().Add(-12*time.Minute), m.Read().Instant())
	if len(c.Gaps) != 1 || !strings.HasPrefix(c.Gaps[0].Detail, "older") {
		t.Errorf("gaps %v", c.Gaps)
	}
	r.Close()
	r = openRing(t, dir, RingBounds{Bytes: 60_000})
	m.append(t, r, 600)
	if n := size(); n > 70_000 {
		t.Errorf("%d bytes", n)
	}
	m.reboot(0)
	m.append(t, r, 5)
	if _, by := cutOf(t, r, Instant{"boot-1", 5 * time.Second}, m.Read().Instant()); len(by["cpu[0].clock"].Values) != 50 {
		t.Errorf("after a restart: %v", by)
	}
}

func TestOnlyOneRing(t *testing.T) {
	dir := t.TempDir()
	openRing(t, dir, RingBounds{})
	if _, err := OpenRing(dir, RingBounds{}); err == nil || !strings.Contains(err.Error(), "another process") {
		t.Errorf("%v", err)
	}
}

// appendUntilKilled goes on with a ring and writes down each piece it took.
func appendUntilKilled(args []string) error {
	r, err := OpenRing(args[0], RingBounds{Bytes: 200_000})
	if err != nil {
		return err
	}
	ledger, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	since, err := strconv.ParseInt(args[2], 10, 64)
	if err != nil {
		return err
	}
	m := newMachine()
	for m.pass(time.Duration(since)); ; {
		p := m.piece()
		if err := r.Append(p); err != nil {
			return err
		}
		if err := ledger.Note("kept", int64(p.From.SinceBoot), int64(p.To.SinceBoot)); err != nil {
			return err
		}
	}
}

func TestKilledRing(t *testing.T) {
	dir := t.TempDir()
	folder, book := filepath.Join(dir, "ring"), filepath.Join(dir, "ledger")
	rand := labtest.Rand(t)
	since := time.Duration(0)
	torn := map[string]bool{} // by where the piece begins; later rounds look at it, too
	for round := range 6 {
		c := labtest.Start(t, labtest.Role("appender", folder, book, fmt.Sprint(int64(since))))
		c.Await(1+rand.IntN(40), 2*time.Minute)
		if !c.KillAfter(time.Duration(rand.IntN(3000)) * time.Microsecond) {
			t.Fatal(c.Wait())
		}
		if round%2 == 1 { // a power cut may leave the end of a segment torn
			tearNewest(t, folder, rand.IntN(40))
		}
		entries, err := labtest.ReadLedger(book)
		if err != nil || len(entries) == 0 {
			t.Fatal(len(entries), err)
		}
		r := openRing(t, folder, RingBounds{})
		last, _ := strconv.ParseInt(entries[len(entries)-1][2], 10, 64)
		since = time.Duration(last)
		if round%2 == 1 {
			torn[entries[len(entries)-1][1]] = true
		}
		for _, e := range entries[max(0, len(entries)-30):] {
			from, _ := strconv.ParseInt(e[1], 10, 64)
			to, _ := strconv.ParseInt(e[2], 10, 64)
			_, by := cutOf(t, r, Instant{"boot-0", time.Duration(from)}, Instant{"boot-0", time.Duration(to)})
			if n := len(by["cpu[0].clock"].Values); n != 10 && !(n == 0 && torn[e[1]]) {
				t.Fatalf("%d samples of the piece at %v", n, time.Duration(from))
			}
		}
		r.Close()
	}
}

// tearNewest cuts bytes off the newest segment and puts others in their place.
func tearNewest(t *testing.T, dir string, n int) {
	names, err := filepath.Glob(filepath.Join(dir, "*.seg"))
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	path := slices.Max(names)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	n = min(n, len(b))
	b = append(b[:len(b)-n], make([]byte, n)...)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestTheRingGoesOnAfterAFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "256k")
	r, m := openRing(t, filepath.Join(dir, "ring"), RingBounds{}), newMachine()
	m.append(t, r, 20)
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1<<20), 0o600); err == nil {
		t.Fatal("the disk took more than it has room for")
	}
	failed := 0
	for range 200 {
		if err := r.Append(m.piece()); err != nil {
			failed++
			if !strings.Contains(err.Error(), "no space left") {
				t.Fatal(err)
			}
		}
	}
	if failed == 0 {
		t.Fatal("nothing failed")
	}
	os.Remove(ballast)
	m.append(t, r, 20)
	for range 2 { // as it is, and opened again
		c, by := cutOf(t, r, Instant{"boot-0", 10 * time.Second}, m.Read().Instant())
		if len(c.Gaps) != 1 || c.Gaps[0].Detail != "the signals could not be written: no space left on device" {
			t.Errorf("gaps %v", c.Gaps)
		}
		if n := len(by["cpu[0].clock"].Values); n != 10*(240-failed) {
			t.Errorf("%d samples, %d pieces failed", n, failed)
		}
		r.Close()
		r = openRing(t, filepath.Join(dir, "ring"), RingBounds{})
	}
}

// FuzzSegment: whatever the bytes, what is read is in order and within its piece,
// and is read the same from its own encoding.
func FuzzSegment(f *testing.F) {
	m := newMachine()
	h := heads{Boot: "boot-0", Session: "s", Signals: []head{{Key: "cpu[0].clock", Unit: rig.MHz}, {Key: "fan[]", Unread: rig.Unread{Reason: rig.Absent}}}}
	b, _ := appendHeads(nil, h)
	b = appendPiece(b, piece{from: m.since, to: m.since + 1e9, why: "w", parts: []part{{offsets: []int64{int64(m.since)}, values: []int64{7},
		gaps: []rig.Gap{{From: 1, To: 2, Unread: rig.Unread{Reason: rig.Refused, Detail: "busy"}}}}}})
	f.Add(b)
	f.Add(b[:len(b)-1])
	f.Add(append(b[:len(b):len(b)], b...))
	for _, pace := range []time.Duration{0, time.Second} {
		r := blockReader{from: bytes.NewReader(appendPiece(nil, piece{from: 1, to: 3e9, pace: pace, parts: []part{{offsets: []int64{2}, values: []int64{7}}}}))}
		kind, payload, _, _ := r.next()
		f.Add(append([]byte{kind}, payload...))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		check := func(h heads, p piece) bool {
			r := blockReader{from: bytes.NewReader(appendPiece(nil, p))}
			kind, payload, ok, _ := r.next()
			q, err := parsePiece(kind, payload, len(h.Signals), false)
			if !ok || err != nil || !cmp.Equal(p, q, cmp.AllowUnexported(piece{}, part{})) {
				t.Fatalf("%v becomes %v, %v", p, q, err)
			}
			for _, x := range p.parts {
				if x.signal >= len(h.Signals) || len(x.offsets) != len(x.values) || !slices.IsSorted(x.offsets) {
					t.Fatalf("%v", x)
				}
			}
			return true
		}
		if n, err := walk(bytes.NewReader(b), all, check); err != nil || n > int64(len(b)) {
			t.Fatal(n, err)
		}
		if len(b) > 0 { // past the checksum, which a fuzzer cannot guess
			if p, err := parsePiece(b[0], b[1:], 2, false); err == nil {
				check(h, p)
			}
		}
	})
}
