package setup_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
)

func known(key string) (nearest string, ok bool) {
	if _, ok := rig.Lookup(rig.Key(key)); ok {
		return key, true
	}
	return string(rig.Nearest(rig.Key(key))), false
}

// examples calls check with every file at the pattern, of which there are some.
func examples(t *testing.T, pattern string, check func(name string, data []byte)) {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) < 2 {
		t.Fatalf("%d files at %s (%v)", len(files), pattern, err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		check(name, data)
	}
}

// The setups that the repository offers as examples are read without an error
// and expect facts that the catalogue knows.
func TestExampleSetups(t *testing.T) {
	examples(t, "../../testdata/setups/*.toml", func(name string, data []byte) {
		s, err := setup.ParseSetup(name, data)
		if err == nil {
			err = s.Check(known)
		}
		if err != nil {
			t.Error(err)
		}
	})
}

// The example workloads are complete, and the reader of logs takes what their
// [log] says.
func TestExampleWorkloads(t *testing.T) {
	examples(t, "../../testdata/workloads/*.toml", func(name string, data []byte) {
		w, err := setup.ParseWorkload(name, data)
		if err == nil {
			err = w.Validate()
		}
		if err == nil {
			err = spec(w.Log).Check()
		}
		if err != nil {
			t.Error(err)
		}
	})
}

func spec(l *setup.Log) timing.Spec {
	return timing.Spec{
		Column: l.Column, Kind: timing.Kind(l.Kind), Unit: timing.Unit(l.Unit), Separator: l.Separator, Decimal: l.Decimal,
		Header: l.Header, Comment: l.Comment, Stamp: l.Stamp, StampUnit: timing.Unit(l.StampUnit),
	}
}

// Whatever [log] accepts, the reader of logs accepts too.
func TestEveryLogWordIsOneOfTheReader(t *testing.T) {
	for _, line := range []string{
		`separator = ","`, `separator = ";"`, `separator = "\t"`, `separator = "tab"`, `separator = " "`, `separator = "space"`, `separator = "none"`,
		`separator = "comma"`, `separator = "semicolon"`, `decimal = "."`, `decimal = ","`, `header = true`, `header = "no"`, `comment = "none"`, `comment = "# ;"`,
		`unit = "s"`, `unit = "ms"`, `unit = "us"`, `unit = "ns"`, `unit = "µs"`, `kind = "duration"`, `kind = "timestamp"`, `stamp = 2`, `stamp_unit = "ns"`, `column = 1`,
	} {
		w, err := setup.ParseWorkload("x.toml", []byte("name = 'x'\n[log]\npath = 'x.csv'\n"+line))
		if err == nil {
			err = spec(w.Log).Check()
		}
		if err != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
}

// A catalogue's tolerance converts, and stands in where a setup gives none.
func TestCatalogueTolerance(t *testing.T) {
	s, err := setup.ParseSetup("x.toml", []byte("label = 'x'\n[expect]\n\"cpu.clock_max\" = 4000\n"))
	if err != nil {
		t.Fatal(err)
	}
	e := s.Expect["cpu.clock_max"].WithTolerance(setup.Tolerance(rig.Tolerance{Absolute: 1, Relative: 0.002}))
	if !e.Holds(setup.NumberOf(4008)) || e.Holds(setup.NumberOf(4009)) || e.String() != "4000 within 1 or 0.2%" {
		t.Errorf("%s", e)
	}
}

// Every reason for an unread fact can be played, and no other.
func TestScenarioKnowsTheReasons(t *testing.T) {
	const file = "[[rig]]\nname='heron'\ntree='x'\n[[workload]]\nname='orrery'\nscenes=[{seconds=9,ms=8}]\n[[block]]\nrig='heron'\nworkload='orrery'\nat=2031-03-02T09:00:00Z\nset={'memory.speed'={unread='%s'}}\n"
	for _, r := range rig.Reasons {
		s, err := setup.ParseScenario("x.toml", fmt.Appendf(nil, file, r))
		if err != nil || s.Blocks[0].Set[0].Unread != string(r) {
			t.Errorf("%s: %v", r, err)
		}
	}
	_, err := setup.ParseScenario("x.toml", fmt.Appendf(nil, file, "lost"))
	if err == nil || !strings.Contains(err.Error(), strings.Trim(fmt.Sprint(rig.Reasons), "[]")) {
		t.Errorf("%v", err)
	}
}
