package setup

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/fault"
)

const orrery = `# a comment
name    = "orrery"
version = "3"
command = ["./orrery", "--seconds=20"]
prepare = ["go", "build", "-o", "orrery", "."]
dir     = "../orrery"
repeats = 5
timeout = "1m30s"
content = "time"
[env]
THREADS = "8"
EMPTY = ""
[settings]
width = 1280
filter.kind = "gauss"
seed = 9007199254740993
hdr = false
[log]
path   = "orrery.csv"
column = "frame_ms"
unit   = "ms"
kind   = "duration"
separator = "tab"
decimal = ","
header = true
comment = "#"
stamp = "at"
stamp_unit = "µs"
[result.score]
pattern = 'score ([0-9.]+)'
unit = "points"
better = "higher"
[result."build time"]
pattern = 'took ([0-9.]+) s'
better = "lower"
[settle]
below = 45
other_load = 2.5
limit = "5m"
`

func TestParseWorkload(t *testing.T) {
	got, err := ParseWorkload("orrery.toml", []byte(orrery))
	if err != nil {
		t.Fatal(err)
	}
	want := &Workload{
		File: "orrery.toml", Source: []byte(orrery), Name: "orrery", Version: "3",
		Command: []string{"./orrery", "--seconds=20"},
		Prepare: []string{"go", "build", "-o", "orrery", "."},
		Dir:     "../orrery",
		Env:     []Variable{{"THREADS", "8"}, {"EMPTY", ""}},
		Repeats: 5, Timeout: 90 * time.Second, Content: ByTime,
		Settings: map[string]Value{
			"width": num("1280", 1280), "filter.kind": TextOf("gauss"), "hdr": TruthOf(false),
			"seed": num("9007199254740993", 9007199254740992), // the text is exact where the float is not
		},
		Log: &Log{Path: "orrery.csv", Column: "frame_ms", Unit: "ms", Kind: "duration",
			Separator: "\t", Decimal: ",", Header: "yes", Comment: "#", Stamp: "at", StampUnit: "us"},
		Results: []Result{
			{Name: "score", Pattern: `score ([0-9.]+)`, Unit: "points", Better: "higher"},
			{Name: "build time", Pattern: `took ([0-9.]+) s`, Better: "lower"},
		},
		Settle: &Settle{BelowCelsius: p(45), OtherLoadPercent: p(2.5), Limit: 5 * time.Minute},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestLeastWorkload(t *testing.T) {
	got, err := ParseWorkload("x.toml", []byte("name = 'x'\n[log]\npath = 'x.csv'\ncolumn = 2\nseparator = ';'\n[settle]\nbelow = 45\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got.Repeats != 1 || got.Log.Column != "2" || got.Log.Separator != ";" || got.Settle.Limit != DefaultSettleLimit {
		t.Errorf("%+v %+v %+v", got, got.Log, got.Settle)
	}
	refusal{want: "workload file: x.toml: no command is given", hint: "after --"}.run(t, got.Validate())
	got.Command = []string{"./x"}
	if err := got.Validate(); err != nil {
		t.Error(err, fault.HintOf(err))
	}
}

// The parsed bytes are the caller's to change; the kept ones are not.
func TestSourceIsACopy(t *testing.T) {
	data := []byte(orrery)
	w, err := ParseWorkload("orrery.toml", data)
	if err != nil {
		t.Fatal(err)
	}
	clear(data)
	if string(w.Source) != orrery || w.Name != "orrery" || w.Results[0].Unit != "points" {
		t.Error("the workload changed with the caller's bytes")
	}
}

// A separator and a header may be written in every way that the reader of logs
// advises or that a person would try.
func TestSpellingsInLog(t *testing.T) {
	for written, want := range map[string]Log{
		`separator = ","`: {Separator: ","}, `separator = "comma"`: {Separator: ","},
		`separator = ";"`: {Separator: ";"}, `separator = "semicolon"`: {Separator: ";"},
		`separator = "\t"`: {Separator: "\t"}, `separator = 'tab'`: {Separator: "\t"},
		`separator = " "`: {Separator: "space"}, `separator = "space"`: {Separator: "space"},
		`separator = "none"`: {Separator: "none"},
		`header = true`:      {Header: "yes"}, `header = "yes"`: {Header: "yes"},
		`header = false`: {Header: "no"}, `header = "no"`: {Header: "no"},
		`column = "Frame time (ms)"`: {Column: "Frame time (ms)"}, `column = 3`: {Column: "3"},
		`stamp = "none"`: {Stamp: "none"}, `comment = "none"`: {Comment: "none"},
		`unit = "\u00b5s"`: {Unit: "us"}, `unit = "\u03bcs"`: {Unit: "us"},
	} {
		w, err := ParseWorkload("x.toml", []byte("name = 'x'\n[log]\npath = 'x.csv'\n"+written))
		if err != nil {
			t.Error(err)
			continue
		}
		want.Path = "x.csv"
		if d := cmp.Diff(want, *w.Log); d != "" {
			t.Errorf("%s\n%s", written, d)
		}
	}
}
