package setup

import (
	"fmt"
	"path"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestAgentDefaults(t *testing.T) {
	a, err := ParseAgent("agent.toml", nil)
	if err != nil {
		t.Fatal(err)
	}
	want := &Agent{
		File: "agent.toml", Log: LogAuto, FullPace: 100 * time.Millisecond, IdlePace: time.Second, RingKeep: 135 * time.Minute, RingBytes: 64 << 20,
		FactsEvery: 2 * time.Minute, BeatEvery: 10 * time.Second, SpoolBytes: 2 << 30, WitnessWithin: 4 * time.Hour,
	}
	if d := cmp.Diff(want, a, cmpopts.EquateEmpty()); d != "" {
		t.Error(d)
	}
}

const watched = "[[folder]]\npath = '/srv/dome'\nworkload = 'orrery'\n"

func TestAgentRefusals(t *testing.T) {
	for _, c := range []refusal{
		{"misspelt", "colector = 'a:1'\n", `:1: unknown key "colector"`, `"collector"`},
		{"misspelt in a table", "[ring]\nkep = '3h'\n", `:2: unknown key "kep"`, `"keep"`},
		{"misspelt in a folder", watched + "patern = '*'\n", `:4: unknown key "patern"`, `"pattern"`},
		{"misspelt in a layout", watched + "[folder.log]\ncolum = 'ms'\n", `:5: unknown key "colum"`, `"column"`},
		{"a layout has no path", watched + "[folder.log]\npath = 'x'\n", `:5: unknown key "path"`, `"path" in [folder]`},
		{"slid below a table", "[ring]\nrig = 'heron'\n", `:2: unknown key "rig"`, "stands above the first [table]"},
		{"address without port", "collector = 'dome'\n", `:1: collector is "dome", not HOST:PORT`, "127.0.0.1:7410"},
		{"address without host", "collector = ':7410'\n", `:1: collector is ":7410", not HOST:PORT`, "127.0.0.1:7410"},
		{"address of no port", "collector = 'dome:0'\n", `:1: collector is "dome:0", not HOST:PORT`, "127.0.0.1:7410"},
		{"address with a scheme", "collector = 'http://dome:7410'\n", `:1: collector is "http://dome:7410", not HOST:PORT`, "127.0.0.1:7410"},
		{"pace without unit", "[sampling]\nfull = 100\n", `:2: full is a number, not a span of time`, `"90s"`},
		{"pace too fast", "[sampling]\nfull = '1ms'\n", `:2: full is 1ms`, "20ms to 10s"},
		{"paces swapped", "[sampling]\nfull = '2s'\nidle = '1s'\n", `:1: idle is 1s, shorter than full with 2s`, "faster"},
		{"ring too short", "[ring]\nkeep = '5m'\n", `:2: keep is 5m0s`, "10m to 168h"},
		{"size is a number", "[ring]\nsize = 64\n", `:2: size is no size`, `"64 MiB"`},
		{"size without unit", "[spool]\nsize = '64'\n", `:2: size is no size`, `"64 MiB"`},
		{"size too small", "[spool]\nsize = '64 KiB'\n", `:2: size is "64 KiB"`, "1024 KiB"},
		{"beat too often", "[beat]\nevery = '10ms'\n", `:2: every is 10ms`, "1s to 1h"},
		{"facts never", "[facts]\nevery = '0s'\n", `:2: every is "0s", not a span of time above zero`, "90s"},
		{"log form", "log = 'xml'\n", `:1: log is "xml", not one of auto text json`, "nearest"},
		{"metrics for all", "[metrics]\nlisten = '0.0.0.0:9'\n", `:2: metrics at 0.0.0.0:9 could be read from other machines`, "anywhere = true"},
		{"metrics for all by name", "[metrics]\nlisten = '127.dome.example:9'\n", `:2: metrics at 127.dome.example:9 could be read from other machines`, "anywhere = true"},
		{"anywhere quoted", "[metrics]\nanywhere = 'yes'\n", `:2: anywhere is a text, not true or false`, "without quotes"},
		{"folder is one table", "[folder]\npath = '/srv'\n", `:1: folder is a table, not a list of tables`, "[[folder]]"},
		{"no path", "[[folder]]\nworkload = 'orrery'\n", `:1: no path in [[folder]] is given`, "/srv/dome/logs"},
		{"no workload", "[[folder]]\npath = '/srv'\n", `:1: no workload in [[folder]] is given`, "orrery"},
		{"witness without a key", "[witness]\nkeys = ['avocet']\n", `:2: keys holds "avocet", which is no witness's key`, "collector follow"},
		{"witness damaged", "[witness]\nkeys = ['" + strings.Replace(avocet, "B", "C", 1) + "']\n", `:2: keys holds "` + strings.Replace(avocet, "B", "C", 1) + `", which is no witness's key`, "collector follow"},
		{"witness twice", "[witness]\nkeys = ['" + avocet + "', '" + avocet + "']\n", `:2: keys holds "` + avocet + `" twice`, "keep one"},
		{"witness in no list", "[witness]\nkeys = '" + avocet + "'\n", `:2: keys is a text, not a list of texts`, `["...", "..."]`},
		{"witnesses too few", "[witness]\nneed = 2\nkeys = ['" + avocet + "']\n", `:2: need is 2, and 1 keys are named`, "as many"},
		{"witnesses of none", "[witness]\nneed = 1\n", `:2: need is 1, and 0 keys are named`, "as many"},
		{"witnesses at once", "[witness]\nwithin = '1s'\n", `:2: within is 1s`, "1m to 720h"},
		{"pattern of folders", watched + "pattern = 'a/*.csv'\n", `:4: pattern "a/*.csv" is none of a file's name`, "not watched"},
		{"pattern broken", watched + "pattern = '[a'\n", `:4: pattern "[a" is none of a file's name`, "orrery-*.csv"},
		{"watched twice", watched + watched, `:4: /srv/dome/* is watched twice, in line 1 too`, "keep one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseAgent("agent.toml", []byte(c.file))
			c.want = "agent file: agent.toml" + c.want
			c.run(t, err)
		})
	}
}

const avocet = "witness.dome.example/avocet+3d9fd3ac+BB/qutGvqfKp7ZakAFLkuwxUoA5mKDG3XC27QrEIC6Ye"

func TestAgentWitnesses(t *testing.T) {
	a, err := ParseAgent("agent.toml", []byte("[witness]\nkeys = ['"+avocet+"']\nwithin = '90m'\n"))
	if err != nil || len(a.Witnesses) != 1 || a.Witnesses[0] != avocet || a.WitnessNeed != 1 || a.WitnessWithin != 90*time.Minute {
		t.Errorf("%+v, %v", a, err)
	}
}

var addressForm = regexp.MustCompile(`^(\[[^\]]+\]|[^\[\]:/\s]+):[0-9]+$`)

// Property: what parses parses again from the bytes it kept to the same, and keeps
// within what the fields promise; what does not is refused in one line with a
// position.
func FuzzParseAgent(f *testing.F) {
	f.Add([]byte(watched))
	f.Add([]byte("witness.keys = ['" + avocet + "']\nwitness.need = 1\n"))
	f.Add([]byte("collector='[::1]:7410'\nmetrics={listen='localhost:0'}\nring.size='1TiB'\n[[folder]]\npath='a'\nworkload='b'\nlog.column=2\n"))
	seed(f, "../../deploy/agent*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := ParseAgent("x.toml", data)
		if err != nil {
			if a != nil {
				t.Fatal("an error and an agent")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParseAgent("x.toml", a.Source)
		if err != nil || cmp.Diff(a, again) != "" {
			t.Fatalf("the kept bytes give another agent: %v", err)
		}
		if err := promised(a); err != nil {
			t.Fatalf("%v: %+v", err, a)
		}
	})
}

func promised(a *Agent) error {
	if a.FullPace <= 0 || a.IdlePace < a.FullPace || a.RingKeep <= 0 || a.RingBytes < 1<<20 || a.FactsEvery < time.Second ||
		a.BeatEvery < time.Second || a.BeatEvery > time.Hour || a.SpoolBytes < 1<<20 {
		return fmt.Errorf("out of bounds")
	}
	for _, address := range []string{a.Collector, a.Metrics} {
		if address != "" && !addressForm.MatchString(address) {
			return fmt.Errorf("address %q", address)
		}
	}
	if a.Metrics != "" && !a.MetricsAnywhere && !loopbackAddress(a.Metrics) {
		return fmt.Errorf("metrics for all")
	}
	if a.WitnessNeed < 0 || a.WitnessNeed > len(a.Witnesses) || a.WitnessNeed == 0 && len(a.Witnesses) > 0 || len(a.Witnesses) > mostWitnesses || a.WitnessWithin < time.Minute {
		return fmt.Errorf("witnesses out of bounds")
	}
	for _, f := range a.Folders {
		if _, err := path.Match(f.Pattern, "x"); f.Path == "" || err != nil || f.Workload == nil || f.Workload.Name == "" || f.Workload.Log == nil || f.Quiet <= 0 || f.Line < 1 {
			return fmt.Errorf("folder %+v", f)
		}
	}
	return nil
}
