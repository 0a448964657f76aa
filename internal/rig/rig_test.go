package rig

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestCatalogueHoldsTogether(t *testing.T) {
	seen := map[Key]bool{}
	for _, e := range Catalogue {
		if seen[e.Key] {
			t.Errorf("%s stands twice", e.Key)
		}
		seen[e.Key] = true
		if e.Key.Family() != e.Key {
			t.Errorf("%s carries an index", e.Key)
		}
		if e.Why == "" || e.Weight < Note || e.Weight > Void {
			t.Errorf("%s lacks a why or a weight", e.Key)
		}
	}
	for _, e := range Catalogue {
		for _, f := range e.Follows {
			if !seen[f] {
				t.Errorf("%s follows from %s, which is not in the catalogue", e.Key, f)
			}
		}
		if follows(e.Key, e.Key, map[Key]bool{}) {
			t.Errorf("%s follows from itself", e.Key)
		}
	}
}

func follows(from, to Key, met map[Key]bool) bool {
	if met[from] {
		return false
	}
	met[from] = true
	for _, f := range byKey[from].Follows {
		if f == to || follows(f, to, met) {
			return true
		}
	}
	return false
}

func TestKeys(t *testing.T) {
	k := Of("memory.module", "P0 CHANNEL A/DIMM [1].x", "speed")
	if got, want := k.Family(), Key("memory.module[].speed"); got != want {
		t.Errorf("family %s, want %s", got, want)
	}
	if got := k.Index(); got != "P0 CHANNEL A/DIMM _1_.x" {
		t.Errorf("index %q", got)
	}
	if got := k.Field(); got != "speed" {
		t.Errorf("field %q", got)
	}
	if got := Nearest("memory.module[A1].sped"); got != "memory.module[A1].speed" {
		t.Errorf("nearest %q", got)
	}
	in := []Key{"cpu[10].clock", "cpu[9].clock", "cpu[2].clock", "cpu.model", "link[0000:0a:00.0].width", "link[0000:02:00.0].width"}
	slices.SortFunc(in, Compare)
	want := []Key{"cpu.model", "cpu[2].clock", "cpu[9].clock", "cpu[10].clock", "link[0000:02:00.0].width", "link[0000:0a:00.0].width"}
	if d := cmp.Diff(want, in); d != "" {
		t.Error(d)
	}
}

func TestCompareIsAnOrder(t *testing.T) {
	gen := rapid.StringMatching(`[a-c0-2\[\].]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := Key(gen.Draw(t, "a")), Key(gen.Draw(t, "b")), Key(gen.Draw(t, "c"))
		if Compare(a, b) != -Compare(b, a) {
			t.Fatalf("not antisymmetric: %q %q", a, b)
		}
		if (Compare(a, b) == 0) != (a == b) {
			t.Fatalf("equal only when same: %q %q", a, b)
		}
		if Compare(a, b) <= 0 && Compare(b, c) <= 0 && Compare(a, c) > 0 {
			t.Fatalf("not transitive: %q %q %q", a, b, c)
		}
	})
}

func TestSnapshotKeepsTheReadFact(t *testing.T) {
	s := NewSnapshot(time.Unix(0, 0), []Fact{
		{Key: "b", Unread: Unread{Absent, ""}},
		{Key: "b", Value: NumberOf(2)},
		{Key: "a", Value: TextOf("x")},
	})
	if len(s.Facts) != 2 || s.Facts[0].Key != "a" {
		t.Fatalf("got %v", s.Facts)
	}
	if n, ok := s.Number("b"); !ok || n != 2 {
		t.Errorf("b = %v %v", n, ok)
	}
	if _, ok := s.Find("c"); ok {
		t.Error("found c")
	}
}

func TestFactJSON(t *testing.T) {
	for _, f := range []Fact{
		{Key: "memory.speed", Value: NumberOf(2400), Unit: MTps, Source: "table"},
		{Key: "cpu.governor", Value: TextOf("performance"), Source: "file"},
		{Key: "cpu.turbo", Value: TruthOf(false), Source: "file"},
		{Key: "memory.speed", Unread: Unread{Denied, "needs a right"}, Source: "table"},
	} {
		b, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var g Fact
		if err := json.Unmarshal(b, &g); err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		if f != g {
			t.Errorf("%s came back as %+v", b, g)
		}
	}
	for _, bad := range []string{`{"key":"a","source":""}`, `{"key":"a","value":1,"unread":"absent"}`, `{"key":"a","unread":"tired"}`, `{"value":1}`} {
		var f Fact
		if json.Unmarshal([]byte(bad), &f) == nil {
			t.Errorf("%s was taken", bad)
		}
	}
}

func TestTolerance(t *testing.T) {
	tol := Tolerance{Absolute: 1, Relative: 0.01}
	for _, c := range []struct {
		want, seen Value
		equal      bool
	}{
		{NumberOf(50), NumberOf(51), true},
		{NumberOf(50), NumberOf(51.1), false},
		{NumberOf(1000), NumberOf(1010), true},
		{NumberOf(1000), NumberOf(1010.1), false},
		{NumberOf(1), TextOf("1"), false},
		{TextOf("a"), TextOf("a"), true},
		{TextOf("a"), TextOf("b"), false},
		{TruthOf(true), TruthOf(false), false},
	} {
		if got := tol.Equal(c.want, c.seen); got != c.equal {
			t.Errorf("%v %v: %v", c.want, c.seen, got)
		}
	}
}

func TestToleranceOfBinaryFractions(t *testing.T) {
	for _, c := range []struct {
		want, seen float64
		tol        Tolerance
		equal      bool
	}{
		{4.1, 4.2, Tolerance{Absolute: 0.1}, true},
		{4.1, 4.0, Tolerance{Absolute: 0.1}, true},
		{4.1, 4.2001, Tolerance{Absolute: 0.1}, false},
		{0.3, 0.1 + 0.2, Tolerance{}, true},
		{0.3, 0.3000001, Tolerance{}, false},
		{4200, 4208.4, Tolerance{Relative: 0.002}, true},
		{4200, 4208.5, Tolerance{Relative: 0.002}, false},
	} {
		if got := c.tol.Equal(NumberOf(c.want), NumberOf(c.seen)); got != c.equal {
			t.Errorf("%v against %v within %+v: %v", c.seen, c.want, c.tol, got)
		}
	}
}

func TestSignalScale(t *testing.T) {
	s := Signal{Exponent: -3, Values: []int64{61250}}
	if s.At(0) != 61.25 {
		t.Errorf("got %v", s.At(0))
	}
}

func TestConfigurationLeavesOutWhatPasses(t *testing.T) {
	at := time.Unix(0, 0)
	base := []Fact{{Key: "cpu.model", Value: TextOf("x")}, {Key: "kernel.uptime", Value: NumberOf(5), Unit: Second}}
	a := NewSnapshot(at, base)
	b := NewSnapshot(at.Add(time.Hour), []Fact{base[0], {Key: "kernel.uptime", Value: NumberOf(6), Unit: Second}})
	if a.ConfigurationSHA256() != b.ConfigurationSHA256() {
		t.Error("uptime made another configuration")
	}
	c := NewSnapshot(at, []Fact{{Key: "cpu.model", Unread: Unread{Absent, ""}}, base[1]})
	if a.ConfigurationSHA256() == c.ConfigurationSHA256() {
		t.Error("an unread model made the same configuration")
	}
	if n := len(a.Configuration()); n != 1 {
		t.Errorf("%d facts", n)
	}
}

func TestGates(t *testing.T) {
	for of, gate := range gates {
		if _, ok := byKey[gate]; !ok {
			t.Errorf("%s is not in the catalogue", gate)
		}
		if !slices.ContainsFunc(Catalogue, func(e Entry) bool { g, ok := Gate(e.Key); return ok && g == gate }) {
			t.Errorf("the catalogue has no device %s", of)
		}
	}
	if g, ok := Gate("memory.module[DIMM_A1].speed"); !ok || g != "memory.modules" {
		t.Errorf("got %q, %v", g, ok)
	}
	if _, ok := Gate("link[0000:01:00.0].width"); ok {
		t.Error("links have a gate")
	}
}
