package probe

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"witnessmark/internal/rig"
)

func TestProcessorLists(t *testing.T) {
	for in, out := range map[string]string{
		"": "", "\n": "", "0": "0", "0-3,8": "0-3,8", "8,0-3\n": "0-3,8", "0-1,1-2": "0-2", "5-5": "5", "0,1,2,4": "0-2,4",
	} {
		p, err := parseProcessors(in)
		if err != nil || p.String() != out {
			t.Errorf("%q gives %q, %v; want %q", in, p, err, out)
		}
	}
	for _, bad := range []string{"3-1", "a", "0-", "-1", "0,,1", "0-99999", "8192", "0 1"} {
		if p, err := parseProcessors(bad); err == nil {
			t.Errorf("%q gives %q", bad, p)
		}
	}
	a, b := processors{0, 1, 2, 3}, processors{2, 3, 4}
	if s := a.without(b).String() + " " + a.and(b).String(); s != "0-1 2-3" {
		t.Errorf("without and and: %s", s)
	}
}

func FuzzProcessorList(f *testing.F) {
	for _, s := range []string{"0-3,8", "", "7", "1-2,4-5,100", "3-1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := parseProcessors(s)
		if err != nil {
			return
		}
		if !slices.IsSorted(p) || len(slices.Compact(slices.Clone(p))) != len(p) {
			t.Fatalf("%q gives %v", s, []int(p))
		}
		again, err := parseProcessors(p.String())
		if err != nil || !slices.Equal(p, again) {
			t.Fatalf("%q prints as %q, which gives %v, %v", s, p, again, err)
		}
	})
}

func FuzzChoice(f *testing.F) {
	for _, s := range []string{"always [madvise] never", "[none] mq-deadline", "none voluntary (full)", "[]", "]x[", "plain"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		word, err := parseChoice(s)
		if err == nil && (word == "" || !strings.Contains(s, word) || !strings.ContainsAny(s, "[(")) {
			t.Fatalf("%q gives %q", s, word)
		}
	})
}

func FuzzPairs(f *testing.F) {
	f.Add([]byte("MemTotal:       16306912 kB\nMemFree: 12 kB\n"))
	f.Add([]byte("processor\t: 0\nmodel name\t: x: y\n\nprocessor\t: 1\n"))
	f.Add([]byte("pswpin 0\nx\n:\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, m := range append(parseBlocks(b), parsePairs(b), parseCounters(b)) {
			for k, v := range m {
				if k == "" || k != strings.TrimSpace(k) || v != strings.TrimSpace(v) || strings.Contains(v, "\n") {
					t.Fatalf("%q gives %q: %q", b, k, v)
				}
			}
		}
		r := kibibytes("/f", parsePairs(b), "MemTotal")
		n, ok := r.value.Number()
		kib, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(parsePairs(b)["MemTotal"], " kB")), 64)
		if ok && (err != nil || math.Abs(n*1024-kib) > 52) { // half of the last digit kept
			t.Fatalf("%q gives %v MiB", b, n)
		}
	})
}

func FuzzJiffies(f *testing.F) {
	f.Add([]byte("cpu  10 20 30 40 50 60 70 80 90 100\n"), []byte("cpu  20 20 30 90 55 60 70 80 90 100\n"))
	f.Add([]byte("intr 1\ncpu 1 2 3 4\n"), []byte("cpu 9223372036854775807 9223372036854775807 1 1 1"))
	f.Fuzz(func(t *testing.T, a, b []byte) {
		then, err := parseJiffies(a)
		now, err2 := parseJiffies(b)
		if cmpErr(err, err2) != nil {
			return
		}
		if all, idle := now.since(then); idle > all {
			t.Fatalf("%d of %d ticks idle", idle, all)
		}
		if all, idle := now.since(now); all != 0 || idle != 0 {
			t.Fatalf("no time passed, and yet %d ticks", all)
		}
	})
}

func FuzzProcess(f *testing.F) {
	f.Add([]byte("7 (tar) S 1 7 7 0 -1 0 0 0 0 0 10 20 0 0 20 0 1 0 5 0 0"))
	f.Add([]byte("7 (a) b (c) S 1 7 7 0 -1 0 0 0 0 0 1 2 0"))
	f.Add([]byte(")("))
	f.Fuzz(func(t *testing.T, b []byte) {
		name, ticks, err := parseProcess(b)
		if err != nil && (name != "" || ticks != 0) {
			t.Fatalf("%q gives %q and %d besides an error", b, name, ticks)
		}
		if err == nil && !strings.Contains(string(b), "("+name+")") {
			t.Fatalf("%q gives %q", b, name)
		}
	})
}

func TestProcessNamesWithBrackets(t *testing.T) {
	name, ticks, err := parseProcess([]byte("7 (a) S (b c)) R 1 7 7 0 -1 0 0 0 0 0 30 12 0 0 20 0 1 0 5 0 0"))
	if name != "a) S (b c)" || ticks != 42 || err != nil {
		t.Errorf("%q %d %v", name, ticks, err)
	}
}

func FuzzReadings(f *testing.F) {
	for _, s := range []string{"4200000", "-1", "", "Unknown", "1e999", "NaN", "0x10", "\x1b[2J", "\xff\xfe"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r := parsedNumber("/f", s, 1000, 1, 20_000)
		if n, ok := r.value.Number(); ok && (n < 1 || n > 20_000) || ok == (r.why.Reason != "") {
			t.Fatalf("%q gives %v, %v", s, n, r.why)
		}
		c := clean(s)
		if !utf8.ValidString(c) || c != clean(c) || len(c) > textCap || strings.ContainsAny(c, "\x1b\n\x00\x7f") {
			t.Fatalf("%q cleaned is %q", s, c)
		}
		if r := textReading("/f", s); r.ok() != (strings.Trim(c, "\uFFFD ") != "") {
			t.Fatalf("%q reads as %v", s, r)
		}
	})
}

func TestAgree(t *testing.T) {
	text := func(s string) reading { return textReading("/f", s) }
	for _, c := range []struct {
		parts []part
		want  string
	}{
		{[]part{{processors{0}, text("a")}, {processors{1}, text("a")}}, "a"},
		{[]part{{processors{0, 1}, text("performance")}, {processors{2}, text("powersave")}, {processors{3}, text("performance")}}, "performance 0-1,3, powersave 2"},
		{[]part{{processors{0}, truthReading("/f", true)}, {processors{1}, truthReading("/f", false)}}, "yes 0, no 1"},
	} {
		if got := agree("/f", c.parts); got.value.String() != c.want {
			t.Errorf("got %v, want %s", got, c.want)
		}
	}
	busy := unread("/f", rig.Refused, "busy")
	r := agree("/f*", []part{{processors{0}, text("a")}, {processors{4, 5}, busy}})
	if r.ok() || r.why != (rig.Unread{Reason: rig.Refused, Detail: "processors 4-5: busy"}) {
		t.Errorf("one unread: %v", r)
	}
	if r := agree("/f*", []part{{processors{0}, busy}, {processors{1}, busy}}); r.why.Detail != "busy" {
		t.Errorf("all unread alike: %v", r.why)
	}
	if r := agree("/f*", nil); r.why.Reason != rig.Absent {
		t.Errorf("nobody: %v", r)
	}
}

func TestFirstOf(t *testing.T) {
	absent, denied, value := unread("/a", rig.Absent, ""), unread("/b", rig.Denied, "needs"), textReading("/c", "v")
	for _, c := range []struct{ got, want reading }{
		{firstOf(absent, denied, value), value},
		{firstOf(absent, denied), denied},
		{firstOf(denied, absent), denied},
		{firstOf(absent, absent), absent},
	} {
		if c.got != c.want {
			t.Errorf("got %v, want %v", c.got, c.want)
		}
	}
}
