package setup_test

import (
	"os"
	"path/filepath"
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
