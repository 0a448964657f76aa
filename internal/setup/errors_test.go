package setup

import (
	"strings"
	"testing"

	"witnessmark/internal/fault"
)

// refusal is a file, the error it gives, and what its hint holds.
type refusal struct {
	name, file, want, hint string
}

func (c refusal) run(t *testing.T, err error) {
	t.Helper()
	if err == nil {
		t.Fatalf("taken:\n%s", c.file)
	}
	if err.Error() != c.want {
		t.Errorf("error\n got %s\nwant %s", err, c.want)
	}
	if hint := fault.HintOf(err); !strings.Contains(hint, c.hint) || hint == "" {
		t.Errorf("hint\n got %s\nwant it to hold %s", hint, c.hint)
	}
	if strings.ContainsAny(err.Error()+fault.HintOf(err), "\n\r") {
		t.Errorf("more than one line: %q", err)
	}
}

const head = "name = \"orrery\"\ncommand = [\"./orrery\"]\n"

func TestWorkloadRefusals(t *testing.T) {
	for _, c := range []refusal{
		{"misspelt in log", head + "[log]\ncolum = \"frame_ms\"\n",
			`orrery.toml:4: unknown key "colum"`, `the nearest known key is "column"`},
		{"misspelt name", "nmae = \"orrery\"\n",
			`orrery.toml:1: unknown key "nmae"`, `"name"`},
		{"misspelt table", head + "\n[reslut.score]\npattern = 'score ([0-9]+)'\n",
			`orrery.toml:4: unknown key "reslut"`, `"result"`},
		{"misspelt in result", head + "[result.score]\npatern = 'x'\n",
			`orrery.toml:4: unknown key "patern"`, `"pattern"`},
		{"dotted and misspelt", head + "log.path = 'a'\nlog.unti = 'ms'\n",
			`orrery.toml:4: unknown key "unti"`, `"unit"`},
		{"inline and misspelt", head + "log = { path = 'a', untt = 'ms' }\n",
			`orrery.toml:3: unknown key "untt"`, `"unit"`},
		{"resembles nothing", head + "wallpaper = 1\n",
			`orrery.toml:3: unknown key "wallpaper"`, "known here are name, version, command"},
		{"slid below a table", head + "[log]\npath = 'a'\nrepeats = 5\n",
			`orrery.toml:5: unknown key "repeats"`, "stands above the first [table]"},
		{"belongs in a table", head + "column = 'frame_ms'\n",
			`orrery.toml:3: unknown key "column"`, `the nearest known key is "column" in [log]`},
		{"key in capitals", head + "Repeats = 5\n",
			`orrery.toml:3: unknown key "Repeats"`, `"repeats"`},
		{"the first by line", head + "[log]\npth = 'a'\nunti = 'ms'\n",
			`orrery.toml:4: unknown key "pth"`, `"path"`},

		{"no name", "command = ['./orrery']\n", `orrery.toml:1: no name is given`, "add name ="},
		{"empty file", "", `orrery.toml:1: no name is given`, "add name ="},
		{"no path", head + "[log]\ncolumn = 'a'\n", `orrery.toml:3: no path in [log] is given`, "add path ="},
		{"no pattern", head + "[result.score]\nbetter = 'higher'\n", `orrery.toml:3: no pattern in [result.score] is given`, "add pattern ="},
		{"no direction", head + "[result.score]\npattern = '([0-9]+)'\n", `orrery.toml:3: no better in [result.score] is given`, `better = "lower"`},
		{"settle for nothing", head + "[settle]\nlimit = '5m'\n", `orrery.toml:3: no below or other_load in [settle] is given`, "below = 45"},

		{"name is a number", "name = 3\n", `orrery.toml:1: name is a number, not a text`, `name = "3"`},
		{"version is a number", head + "version = 3.10\n", `orrery.toml:3: version is a number, not a text`, `version = "3.10"`},
		{"name is blank", "name = ' '\n", `orrery.toml:1: name is blank`, "give it a text"},
		{"name of two lines", "name = \"a\\nb\"\n", `orrery.toml:1: name holds a line break or a control character`, "one line"},
		{"name with a comma", "name = 'a,b'\n", `orrery.toml:1: name "a,b" holds a comma, an equals sign or a blank at its end`, "selection"},
		{"name is a list", "name = ['a']\n", `orrery.toml:1: name is a list, not a text`, `name = "..."`},
		{"command is a text", "name = 'a'\ncommand = './orrery --seconds=20'\n", `orrery.toml:2: command is a text, not a list of texts`, `command = ["./orrery", "--seconds=20"]`},
		{"command holds a number", "name = 'a'\ncommand = [\n  './orrery',\n  20,\n]\n", `orrery.toml:4: command holds a number where a text belongs`, "quotes"},
		{"command is empty", "name = 'a'\ncommand = []\n", `orrery.toml:2: command is an empty list`, "command = ["},
		{"command without program", "name = 'a'\ncommand = ['', 'x']\n", `orrery.toml:2: command does not say which program`, "command = ["},
		{"prepare is a text", head + "prepare = 'make'\n", `orrery.toml:3: prepare is a text, not a list of texts`, "prepare = ["},
		{"repeats none", head + "repeats = 0\n", `orrery.toml:3: repeats is 0, not a whole number from 1 to 1000000`, "repeats = 5"},
		{"repeats negative", head + "repeats = -5\n", `orrery.toml:3: repeats is -5, not a whole number from 1 to 1000000`, "repeats = 5"},
		{"repeats broken", head + "repeats = 2.5\n", `orrery.toml:3: repeats is 2.5, not a whole number from 1 to 1000000`, "repeats = 5"},
		{"repeats quoted", head + "repeats = '5'\n", `orrery.toml:3: repeats is a text, not a whole number from 1 to 1000000`, "repeats = 5"},
		{"timeout bare", head + "timeout = 90\n", `orrery.toml:3: timeout is a number, not a span of time`, `timeout = "90s"`},
		{"timeout wordy", head + "timeout = '90 seconds'\n", `orrery.toml:3: timeout is "90 seconds", not a span of time above zero`, `"90s"`},
		{"timeout negative", head + "timeout = '-1s'\n", `orrery.toml:3: timeout is "-1s", not a span of time above zero`, `"90s"`},
		{"content", head + "content = 'frames'\n", `orrery.toml:3: content is "frames", not one of time frame`, `"frame"`},
		{"env holds a number", head + "[env]\nTHREADS = 8\n", `orrery.toml:4: THREADS is a number, not a text`, `THREADS = "8"`},
		{"env name", head + "[env]\n'A=B' = 'x'\n", `orrery.toml:4: "A=B" cannot name an environment variable`, "a name such as"},
		{"settings hold a list", head + "[settings]\nsize = [1, 2]\n", `orrery.toml:4: size is a list, not a single value`, "a key of its own"},
		{"log is a text", head + "log = 'orrery.csv'\n", `orrery.toml:3: log is a text, not a table`, "[log]"},
		{"two logs", head + "[[log]]\npath = 'a'\n[[log]]\npath = 'b'\n", `orrery.toml:3: log is a list of tables, not a table`, "[log]"},
		{"unit", head + "[log]\npath = 'a'\nunit = 'msec'\n", `orrery.toml:5: unit is "msec", not one of s ms us ns`, `"ms"`},
		{"kind", head + "[log]\npath = 'a'\nkind = 'stamp'\n", `orrery.toml:5: kind is "stamp", not one of duration timestamp`, `"timestamp"`},
		{"column none", head + "[log]\npath = 'a'\ncolumn = 0\n", `orrery.toml:5: column is 0, not a whole number from 1 to 1000000`, "column = 5"},
		{"column is broken", head + "[log]\npath = 'a'\ncolumn = 1.5\n", `orrery.toml:5: column is 1.5, not a whole number from 1 to 1000000`, "column = 5"},
		{"column is a list", head + "[log]\npath = 'a'\ncolumn = ['a']\n", `orrery.toml:5: column is a list, not a text`, "column = "},
		{"header", head + "[log]\npath = 'a'\nheader = 'maybe'\n", `orrery.toml:5: header is "maybe", not one of yes no`, "nearest"},
		{"header is a number", head + "[log]\npath = 'a'\nheader = 1\n", `orrery.toml:5: header is a number, not a text`, `header = "1"`},
		{"separator", head + "[log]\npath = 'a'\nseparator = ';;'\n", `orrery.toml:5: separator is ";;", not one of , ; tab space none comma semicolon`, `";"`},
		{"stamp unit", head + "[log]\npath = 'a'\nstamp_unit = 'min'\n", `orrery.toml:5: stamp_unit is "min", not one of s ms us ns`, "nearest"},
		{"separator is the decimal", head + "[log]\npath = 'a'\nseparator = ','\ndecimal = ','\n", `orrery.toml:5: separator and decimal are both ","`, "semicolon"},
		{"result unnamed", head + "[result]\npattern = 'x'\n", `orrery.toml:4: result.pattern is a text, not a table`, "[result.score]"},
		{"pattern without group", head + "[result.score]\npattern = 'score [0-9]+'\nbetter = 'higher'\n", `orrery.toml:4: pattern "score [0-9]+" has 0 groups, not one`, "( )"},
		{"pattern with two groups", head + "[result.score]\npattern = '(a|b) ([0-9]+)'\nbetter = 'higher'\n", `orrery.toml:4: pattern "(a|b) ([0-9]+)" has 2 groups, not one`, "(?: )"},
		{"pattern broken", head + "[result.score]\npattern = 'score ([0-9'\nbetter = 'higher'\n", "orrery.toml:4: pattern \"score ([0-9\" is no regular expression: error parsing regexp: missing closing ]: `[0-9`", "single quotes"},
		{"better", head + "[result.score]\npattern = '([0-9]+)'\nbetter = 'more'\n", `orrery.toml:5: better is "more", not one of higher lower`, "nearest"},
		{"below is a text", head + "[settle]\nbelow = '45 C'\n", `orrery.toml:4: below is a text, not a number`, "below = 45"},
		{"below in millidegrees", head + "[settle]\nbelow = 45000\n", `orrery.toml:4: below is 45000 degrees Celsius, which no rig settles to`, "below = 45"},
		{"other load", head + "[settle]\nother_load = 0\n", `orrery.toml:4: other_load is 0, not a percentage above 0`, "other_load = 2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseWorkload("orrery.toml", []byte(c.file))
			c.want = "workload file: " + c.want
			c.run(t, err)
		})
	}
}

const label = "label = \"memory-rated\"\n"

func TestSetupRefusals(t *testing.T) {
	for _, c := range []refusal{
		{"misspelt", "lable = 'x'\n", `heron.toml:1: unknown key "lable"`, `"label"`},
		{"fact outside expect", label + "\"memory.speed\" = 3200\n", `heron.toml:2: unknown key "memory.speed"`, "facts stand below [expect]"},
		{"no label", "rig = 'heron'\n", `heron.toml:1: no label is given`, "add label ="},
		{"expect is a text", label + "expect = 'x'\n", `heron.toml:2: expect is a text, not a table`, "[expect]"},
		{"two expects", label + "[[expect]]\n", `heron.toml:2: expect is a list of tables, not a table`, "[expect]"},
		{"misspelt bound", label + "[expect]\n\"cpu.clock_max\" = { min = 4100, mx = 4300 }\n",
			`heron.toml:3: unknown key "mx"`, `"max"`},
		{"bounds swapped", label + "[expect]\n\"cpu.clock_max\" = { min = 4300, max = 4100 }\n",
			`heron.toml:3: "cpu.clock_max" has min 4300 above max 4100`, "swap"},
		{"bound is a text", label + "[expect]\n\"cpu.clock_max\" = { min = '4100' }\n",
			`heron.toml:3: min is a text, not a number`, "without quotes"},
		{"bound not finite", label + "[expect]\n\"cpu.clock_max\" = { min = inf }\n",
			`heron.toml:3: inf is not a number that can be held`, "finite"},
		{"number too large", label + "[expect]\n\"cpu.clock_max\" = 99999999999999999999\n",
			`heron.toml:3: decimal number is too large to fit in a 64-bit signed integer`, "texts stand in"},
		{"range and value", label + "[expect]\n\"cpu.clock_max\" = { min = 4100, value = 4200 }\n",
			`heron.toml:3: "cpu.clock_max" is stated in two ways`, "one of"},
		{"tolerance alone", label + "[expect]\n\"cpu.clock_max\" = { tolerance = 50 }\n",
			`heron.toml:3: "cpu.clock_max" has a tolerance but no value`, "value = 3200"},
		{"tolerance of a text", label + "[expect]\n\"cpu.governor\" = { value = 'performance', tolerance = 1 }\n",
			`heron.toml:3: "cpu.governor" has a tolerance, but its value is a text`, "one_of"},
		{"tolerance negative", label + "[expect]\n\"memory.speed\" = { value = 3200, tolerance = -1 }\n",
			`heron.toml:3: the tolerance of "memory.speed" is neither a number above zero nor a percentage`, `"1%"`},
		{"tolerance with a unit", label + "[expect]\n\"memory.speed\" = { value = 3200, tolerance = '50 MT/s' }\n",
			`heron.toml:3: the tolerance of "memory.speed" is neither a number above zero nor a percentage`, `"1%"`},
		{"bare list", label + "[expect]\n\"cpu.governor\" = ['performance', 'schedutil']\n",
			`heron.toml:3: "cpu.governor" is a list`, "one_of"},
		{"empty choice", label + "[expect]\n\"cpu.governor\" = { one_of = [] }\n",
			`heron.toml:3: one_of for "cpu.governor" is an empty list, not a list of values`, "one_of = ["},
		{"empty table", label + "[expect]\n\"cpu.governor\" = {}\n",
			`heron.toml:3: "cpu.governor" is an empty table`, "min, max"},
		{"blank text", label + "[expect]\n\"cpu.governor\" = ''\n",
			`heron.toml:3: "cpu.governor" is blank or holds blanks that no fact has`, "as the fact prints it"},
		{"dotted and quoted", label + "[expect]\nmemory.speed = 3200\n\"memory.speed\" = 2400\n",
			`heron.toml:4: "memory.speed" is given twice`, "line 3 gives it too"},
		{"given twice", label + "[expect]\n\"memory.speed\" = 3200\n\"memory.speed\" = 2400\n",
			`heron.toml:4: key memory.speed is already defined`, "given once"},
		{"blank key", label + "[expect]\n\"\" = 3200\n",
			`heron.toml:3: the key "" is blank or holds a control character`, "memory.speed"},
		{"index without quotes", label + "[expect]\nmemory.module[DIMM_A1].speed = 3200\n",
			`heron.toml:3: expected '=' after key`, `in quotes: "memory.module[DIMM_A1].speed"`},
		{"text without quotes", label + "[expect]\ncpu.governor = performance\n",
			`heron.toml:3: unexpected character U+0070 'p' at start of value`, "texts stand in"},
		{"no key", label + "just a note\n", `heron.toml:2: expected '=' after key`, "# comment"},
		{"not UTF-8", label + "rig = \"\xff\"\n", `heron.toml:2: invalid UTF-8 character in basic string`, "texts stand in"},
		{"zero byte", label + "# \x00\n", `heron.toml:2: the file holds a zero byte`, "UTF-8"},
		{"weight", label + "[weigh]\n\"firmware.date\" = 'notes'\n",
			`heron.toml:3: firmware.date is "notes", not one of note caution void`, `"note"`},
		{"weight is a number", label + "[weigh]\nfirmware.date = 1\n",
			`heron.toml:3: the weight of "firmware.date" is a number, not a word`, `note, caution, void`},
		{"noted holds a list", label + "[noted]\ncooler = ['a']\n",
			`heron.toml:3: cooler is a list, not a single value`, "key of its own"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseSetup("heron.toml", []byte(c.file))
			c.want = "setup file: " + c.want
			c.run(t, err)
		})
	}
}

func TestFileTooLarge(t *testing.T) {
	_, err := ParseSetup("heron.toml", []byte("label = 'x'\n"+strings.Repeat("# padding\n", maxSize/10)))
	refusal{want: "setup file: heron.toml:1: the file is larger than 1 MiB", hint: "the file you meant"}.run(t, err)
}
