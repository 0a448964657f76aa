package setup

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/fault"
)

func p(f float64) *float64 { return &f }

func num(s string, f float64) Value { return Value{Kind: Number, Text: s, Number: f} }

const heron = `label = "memory-rated"
rig   = "heron"
[expect]
"memory.speed"  = 3200
"cpu.governor"  = "performance"
"cpu.clock_max" = { min = 4100, max = 4300 }
"cpu.clock_min" = { min = 800.5 }
"power.limit"   = { max = 65 }
"memory.size"   = { value = 32_768, tolerance = 64 }
"cpu.base"      = { value = 3.60, tolerance = "1%" }
"cpu.turbo"     = true
"kernel.clocksource" = { one_of = ["tsc", "hpet"] }
"memory.module[DIMM_A1].rated_speed" = 3200
firmware.version = 1.10
firmware.date = 2031-03-02
[expect.cpu]
threads.min = 8
cores = { value = 8 }
[weigh]
"firmware.date" = "note"
kernel.release = "void"
[noted]
cooler = "two-fan tower"
room_temperature = 21.50   # degrees Celsius
fan.front = true
`

func TestParseSetup(t *testing.T) {
	got, err := ParseSetup("heron.toml", []byte(heron))
	if err != nil {
		t.Fatal(err)
	}
	want := &Setup{
		File: "heron.toml", Source: []byte(heron), Label: "memory-rated", Rig: "heron",
		Expect: map[string]Expectation{
			"memory.speed":                       {Value: num("3200", 3200), Line: 4},
			"cpu.governor":                       {Value: TextOf("performance"), Line: 5},
			"cpu.clock_max":                      {Min: p(4100), Max: p(4300), Line: 6},
			"cpu.clock_min":                      {Min: p(800.5), Line: 7},
			"power.limit":                        {Max: p(65), Line: 8},
			"memory.size":                        {Value: num("32768", 32768), Tolerance: Tolerance{Absolute: 64}, Line: 9},
			"cpu.base":                           {Value: num("3.60", 3.6), Tolerance: Tolerance{Relative: 0.01}, Line: 10},
			"cpu.turbo":                          {Value: TruthOf(true), Line: 11},
			"kernel.clocksource":                 {OneOf: []Value{TextOf("tsc"), TextOf("hpet")}, Line: 12},
			"memory.module[DIMM_A1].rated_speed": {Value: num("3200", 3200), Line: 13},
			"firmware.version":                   {Value: num("1.10", 1.1), Line: 14},
			"firmware.date":                      {Value: TextOf("2031-03-02"), Line: 15},
			"cpu.threads":                        {Min: p(8), Line: 17},
			"cpu.cores":                          {Value: num("8", 8), Line: 18},
		},
		Weigh: map[string]Weight{"firmware.date": Note, "kernel.release": Void},
		Noted: map[string]Value{"cooler": TextOf("two-fan tower"), "room_temperature": num("21.50", 21.5), "fan.front": TruthOf(true)},
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(Setup{}), cmp.FilterPath(func(p cmp.Path) bool { return p.String() == "lines" }, cmp.Ignore())); d != "" {
		t.Error(d)
	}
	if got.Line("kernel.release") != 21 || got.Line("firmware.date") != 15 || got.Line("nothing") != 0 {
		t.Errorf("lines: %v", got.lines)
	}
}

// A table that follows Windows manners, with a byte-order mark and CRLF, is the
// same setup; the bytes that are kept are the file's own.
func TestByteOrderMarkAndCRLF(t *testing.T) {
	file := "\ufeff" + strings.ReplaceAll(heron, "\n", "\r\n")
	got, err := ParseSetup("heron.toml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	plain, _ := ParseSetup("heron.toml", []byte(heron))
	if d := cmp.Diff(plain.Expect, got.Expect); d != "" {
		t.Error(d)
	}
	if string(got.Source) != file {
		t.Error("the bytes were altered")
	}
}

func TestHolds(t *testing.T) {
	for _, c := range []struct {
		expect string // the right-hand side in the file
		prints string
		holds  []Value
		fails  []Value
	}{
		{`3200`, "3200", []Value{NumberOf(3200), TextOf("3200")}, []Value{NumberOf(3199), NumberOf(2400), TextOf("3200 MT/s"), {}}},
		{`3200.0`, "3200.0", []Value{NumberOf(3200)}, []Value{NumberOf(3200.1)}},
		{`0x10`, "16", []Value{NumberOf(16)}, []Value{NumberOf(10)}},
		{`"performance"`, "performance", []Value{TextOf("performance")}, []Value{TextOf("Performance"), TextOf("powersave"), TruthOf(true), {}}},
		{`"3200"`, "3200", []Value{NumberOf(3200)}, []Value{NumberOf(2400)}},
		{`1.10`, "1.10", []Value{TextOf("1.10"), NumberOf(1.1)}, []Value{TextOf("1.1")}},
		{`true`, "yes", []Value{TruthOf(true), TextOf("on"), TextOf("enabled")}, []Value{TruthOf(false), TextOf("off"), TextOf("notsupported"), NumberOf(1)}},
		{`"off"`, "off", []Value{TruthOf(false), TextOf("off")}, []Value{TruthOf(true), TextOf("no")}},
		{`{ min = 4100, max = 4300 }`, "4100 to 4300", []Value{NumberOf(4100), NumberOf(4300), NumberOf(4200.5), TextOf("4200")}, []Value{NumberOf(4099.999), NumberOf(4300.001), TextOf("fast"), {}}},
		{`{ min = 4100 }`, "at least 4100", []Value{NumberOf(1e9)}, []Value{NumberOf(4099)}},
		{`{ max = -0.5 }`, "at most -0.5", []Value{NumberOf(-0.5), NumberOf(-3)}, []Value{NumberOf(0)}},
		{`{ value = 4.1, tolerance = 0.1 }`, "4.1 within 0.1", []Value{NumberOf(4.2), NumberOf(4.0)}, []Value{NumberOf(4.21), NumberOf(3.99)}},
		{`{ value = 3200, tolerance = "1%" }`, "3200 within 1%", []Value{NumberOf(3168), NumberOf(3232)}, []Value{NumberOf(3167), NumberOf(3233), TextOf("x")}},
		{`{ value = -40, tolerance = "10 %" }`, "-40 within 10%", []Value{NumberOf(-44), NumberOf(-36)}, []Value{NumberOf(-45), NumberOf(40)}},
		{`{ value = 100, tolerance = "7%" }`, "100 within 7%", []Value{NumberOf(93), NumberOf(107)}, []Value{NumberOf(92.9)}},
		{`{ value = "tsc" }`, "tsc", []Value{TextOf("tsc")}, []Value{TextOf("hpet")}},
		{`{ one_of = ["tsc", "hpet", 3] }`, "tsc, hpet or 3", []Value{TextOf("tsc"), TextOf("hpet"), NumberOf(3)}, []Value{TextOf("jiffies"), NumberOf(4)}},
		{`{ one_of = ["tsc"] }`, "tsc", []Value{TextOf("tsc")}, []Value{TextOf("hpet")}},
	} {
		s, err := ParseSetup("x.toml", []byte("label = 'x'\n[expect]\n\"a.b\" = "+c.expect))
		if err != nil {
			t.Errorf("%s: %v", c.expect, err)
			continue
		}
		e := s.Expect["a.b"]
		if e.String() != c.prints {
			t.Errorf("%s prints %q, want %q", c.expect, e, c.prints)
		}
		for _, v := range c.holds {
			if !e.Holds(v) {
				t.Errorf("%s does not hold for %s %q", c.expect, v.Kind, v)
			}
		}
		for _, v := range c.fails {
			if e.Holds(v) {
				t.Errorf("%s holds for %s %q", c.expect, v.Kind, v)
			}
		}
	}
}

func TestWithTolerance(t *testing.T) {
	loose := Tolerance{Relative: 0.01}
	for _, c := range []struct {
		e    Expectation
		want Tolerance
	}{
		{Expectation{Value: NumberOf(3200)}, loose},
		{Expectation{Value: NumberOf(3200), Tolerance: Tolerance{Absolute: 1}}, Tolerance{Absolute: 1}},
		{Expectation{Value: TextOf("tsc")}, Tolerance{}},
		{Expectation{Min: p(1)}, Tolerance{}},
	} {
		if got := c.e.WithTolerance(loose).Tolerance; got != c.want {
			t.Errorf("%s: %v, want %v", c.e, got, c.want)
		}
	}
}

func TestCheck(t *testing.T) {
	facts := []string{"memory.speed", "cpu.clock_max", "firmware.date"}
	known := func(key string) (string, bool) {
		best, edits := nearest(key, facts)
		return best, edits == 0
	}
	for _, c := range []refusal{
		{file: "[expect]\n\"memory.spede\" = 3200\n",
			want: `setup file: heron.toml:3: unknown fact "memory.spede"`, hint: `the nearest known fact is "memory.speed"`},
		{file: "[expect]\n\"memory.speed\" = 3200\n[weigh]\n\"firmware.dat\" = 'note'\n\"a\" = 'note'\n",
			want: `setup file: heron.toml:5: unknown fact "firmware.dat"`, hint: `"firmware.date"`},
		{file: "[expect]\n\"cpu.clock_max\" = { minimum = 4100 }\n",
			want: `setup file: heron.toml:3: unknown fact "cpu.clock_max.minimum"`, hint: `"cpu.clock_max" is a fact, and a table for it takes value, tolerance, min, max, one_of; the nearest is "min"`},
	} {
		s, err := ParseSetup("heron.toml", []byte("label = 'x'\n"+c.file))
		if err != nil {
			t.Fatal(err)
		}
		c.run(t, s.Check(known))
	}
	s, _ := ParseSetup("heron.toml", []byte("label = 'x'\n[expect]\n\"memory.speed\" = 3200\n"))
	if err := s.Check(known); err != nil {
		t.Error(err)
	}
	err := s.Check(func(string) (string, bool) { return "", false })
	if hint := fault.HintOf(err); !strings.Contains(hint, "agent facts") {
		t.Errorf("hint without a nearest: %q", hint)
	}
}

func ExampleParseSetup() {
	s, err := ParseSetup("heron-rated.toml", []byte("label = \"memory-rated\"\n[expect]\n\"memory.speed\" = { value = 3200, tolerance = \"1%\" }\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	e := s.Expect["memory.speed"]
	fmt.Printf("%s: %s; 3200 holds: %t; 2400 holds: %t\n", s.Label, e, e.Holds(NumberOf(3200)), e.Holds(NumberOf(2400)))
	// Output: memory-rated: 3200 within 1%; 3200 holds: true; 2400 holds: false
}

func TestCheckUnits(t *testing.T) {
	unit := func(key string) string { return map[string]string{"memory.size": "MiB", "cpu.clock_max": "MHz"}[key] }
	for text, want := range map[string]string{
		`"memory.size" = "16 GiB"`:                                    `setup file: s.toml:3: "memory.size" is a number in MiB, not a text`,
		`"memory.size" = { one_of = [16384, "16 GiB"] }`:              `setup file: s.toml:3: "memory.size" is a number in MiB, not a text`,
		`"cpu.clock_max" = true`:                                      `setup file: s.toml:3: "cpu.clock_max" is a number in MHz, not true or false`,
		"\"cpu.clock_max\" = { min = 4100 }\nmemory.size = \"16384\"": "",
		`"cpu.governor" = "performance"`:                              "",
	} {
		s, err := ParseSetup("s.toml", []byte("label = \"a\"\n[expect]\n"+text+"\n"))
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		if err := s.CheckUnits(unit); err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%s: %q, want %q", text, got, want)
		}
	}
}
