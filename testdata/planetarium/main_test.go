package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
	"witnessmark/internal/screen"
)

// small is a scenario of five runs on two rigs.
func small(t *testing.T) string {
	t.Helper()
	rigs, err := filepath.Abs("../rigs")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "small.toml")
	text := fmt.Sprintf(`seed = 7
[[rig]]
name = "heron"
tree = %[1]q
[[rig]]
name = "plover"
tree = %[2]q
[[workload]]
name = "orrery"
version = "3"
noise = 0.006
jitter = 0.03
lead_in = 0.4
scenes = [ { seconds = 2, ms = 8.0, clock = 0.6, memory = 0.2 } ]
reference = { clock = 4100, memory = 3200 }
[[block]]
rig = "heron"
workload = "orrery"
setup = "memory-rated"
repeats = 3
set = { "memory.speed" = 2400 }
at = "2031-03-02T09:00:00Z"
[[block]]
rig = "plover"
workload = "orrery"
at = "2031-03-03T09:00:00Z"
repeats = 2
`, filepath.Join(rigs, "heron"), filepath.Join(rigs, "plover"))
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// perform runs the command and gives what it prints.
func perform(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	t.Setenv("WITNESSMARK_COLLECTOR", "")
	t.Setenv("WITNESSMARK_STATE", "")
	var out, errs bytes.Buffer
	code = run(context.Background(), args, &out, &errs)
	return code, out.String(), errs.String()
}

func mustPlay(t *testing.T, args ...string) string {
	t.Helper()
	code, out, errs := perform(t, args...)
	if code != 0 || errs != "" {
		t.Fatalf("exit %d: %s", code, errs)
	}
	return out
}

// summaries are the runs that an archive in a state folder holds.
func summaries(t *testing.T, state string) (all []answer.Summary) {
	t.Helper()
	conn, err := collect.Embedded(t.Context(), filepath.Join(state, "archive"), labtest.Quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := answer.NewClient(conn).Runs(t.Context(), answer.Query{}, func(s answer.Summary) error { all = append(all, s); return nil }); err != nil {
		t.Fatal(err)
	}
	return all
}

// Playing again, after the archive was lost too, keeps every run exactly once.
func TestReplayKeepsOnce(t *testing.T) {
	file, state := small(t), t.TempDir()
	out := mustPlay(t, "--scenario", file, "--state", state)
	if want := "played heron, orrery 3, memory-rated: 3 runs, 2031-03-02 09:00:00 to "; strings.Count(out, "\n") != 2 || !strings.HasPrefix(out, want) {
		t.Errorf("%s", out)
	}
	first := summaries(t, state)
	if len(first) != 5 {
		t.Fatalf("%d runs are kept", len(first))
	}
	for _, s := range first {
		if !strings.HasPrefix(s.Played, "by testdata/planetarium") {
			t.Errorf("%s: played %q", s.ID, s.Played)
		}
	}
	if again := mustPlay(t, "--scenario", file, "--state", state); again != out {
		t.Errorf("%s", again)
	}
	same(t, first, summaries(t, state))
	if err := os.RemoveAll(filepath.Join(state, "archive")); err != nil {
		t.Fatal(err)
	}
	mustPlay(t, "--scenario", file, "--state", state)
	same(t, first, summaries(t, state))
}

func same(t *testing.T, want, got []answer.Summary) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d runs are kept, not %d", len(got), len(want))
	}
	for i := range want {
		if got[i].ID != want[i].ID || got[i].RecordSHA256 != want[i].RecordSHA256 {
			t.Errorf("run %d is %s, not %s", i, got[i].ID, want[i].ID)
		}
	}
}

// Over the network, from two state folders, the collector keeps every run once,
// and its trail grows by one entry a run and one for the setup in force.
func TestPlayIntoServedCollector(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	file, one, two := small(t), t.TempDir(), t.TempDir()
	for _, state := range []string{one, two, one} {
		mustPlay(t, "--scenario", file, "--state", state, "--collector", address, "--data", dir)
	}
	n, book := 0, answer.NewClient(owner)
	var last answer.Summary
	if err := book.Runs(t.Context(), answer.Query{}, func(s answer.Summary) error { n++; last = s; return nil }); err != nil || n != 5 {
		t.Fatalf("%d runs are kept (%v)", n, err)
	}
	if checked, err := book.Check(t.Context(), func(where, what string) { t.Error(where, what) }, nil); err != nil || checked.Entries != 6 { // and the setup in force
		t.Errorf("the trail has %d entries (%v)", checked.Entries, err)
	}
	for _, state := range []string{one, two} {
		receipt, err := os.ReadFile(filepath.Join(state, "spool", "receipts", last.ID+".json"))
		if err != nil || !json.Valid(receipt) {
			t.Errorf("no receipt: %v", err)
		}
		if left, err := os.ReadDir(filepath.Join(state, "spool", "ready")); err != nil || len(left) > 0 {
			t.Errorf("%d runs are left in the spool (%v)", len(left), err)
		}
	}
}

// A collector that does not answer leaves the run in the spool.
func TestUnreachableCollector(t *testing.T) {
	state := t.TempDir()
	code, out, errs := perform(t, "--scenario", small(t), "--state", state, "--collector", "127.0.0.1:1")
	left, _ := os.ReadDir(filepath.Join(state, "spool", "ready"))
	if code != screen.Failed || out != "" || len(left) != 1 || !strings.Contains(errs, "hint: the run stays in the spool") {
		t.Errorf("exit %d, %d runs spooled: %s%s", code, len(left), out, errs)
	}
}

func TestUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{nil, screen.WrongUsage, "scenario"},
		{[]string{"--scenario", "x.toml", "more"}, screen.WrongUsage, "more"},
		{[]string{"--scenari", "x.toml"}, screen.WrongUsage, "hint: see: planetarium --help"},
		{[]string{"--scenario", "nowhere.toml", "--state", t.TempDir()}, screen.Failed, "scenario file: nowhere.toml: no such file"},
	} {
		code, out, errs := perform(t, c.args...)
		if code != c.code || out != "" || !strings.Contains(errs, c.want) || !strings.Contains(errs, "\nhint: ") {
			t.Errorf("%v: exit %d: %s%s", c.args, code, out, errs)
		}
	}
	if code, out, _ := perform(t, "--help"); code != 0 || !strings.Contains(out, "--scenario FILE") {
		t.Errorf("exit %d: %s", code, out)
	}
}

func TestInterrupted(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	var out, errs bytes.Buffer
	if code := run(ctx, []string{"--scenario", small(t), "--state", t.TempDir()}, &out, &errs); code != screen.Interrupted {
		t.Errorf("exit %d: %s", code, errs.String())
	}
}

// Every listing of a collector shows the word on every line about a played run.
func TestListingsSayPlayed(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the commands")
	}
	state, bin := t.TempDir(), t.TempDir()
	if out, err := exec.Command("go", "build", "-o", bin+string(filepath.Separator), "../../collector", "../../agent").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	file := small(t)
	mustPlay(t, "--scenario", file, "--state", state)
	tell := func(program string, args ...string) string {
		cmd := exec.Command(filepath.Join(bin, program), append(args, "--state", state)...)
		cmd.Env = append(os.Environ(), "WITNESSMARK_COLLECTOR=", "WITNESSMARK_STATE=")
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s %v: %v", program, args, err)
		}
		return string(out)
	}
	for _, listing := range []string{"runs", "rigs", "flags"} {
		lines := strings.Split(strings.TrimSpace(tell("collector", listing)), "\n")
		if len(lines) < 3 {
			t.Errorf("%s: %d lines", listing, len(lines))
		}
		for _, line := range lines[1:] {
			if !strings.Contains(line, "played") {
				t.Errorf("%s: %s", listing, line)
			}
		}
		if out := tell("collector", listing, "--json"); strings.Count(out, "played\": ") < len(lines)-1 {
			t.Errorf("%s --json: %s", listing, out)
		}
	}
	id := summaries(t, state)[0].ID
	for _, out := range []string{tell("collector", "show", id), tell("collector", "show", id, "--json")} {
		if !strings.Contains(out, "by testdata/planetarium from small.toml, block 2") {
			t.Errorf("show: %s", out)
		}
	}
	spooled(t, tell, file, state)
}

// spooled looks at the agent's list of a played run that could not be delivered.
func spooled(t *testing.T, tell func(string, ...string) string, file, state string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, bytes.Replace(text, []byte("seed = 7"), []byte("seed = 8"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	perform(t, "--scenario", file, "--state", state, "--collector", "127.0.0.1:1")
	if out := tell("agent", "spool"); !strings.Contains(out, "played") {
		t.Errorf("spool: %s", out)
	}
	if out := tell("agent", "spool", "--json"); !strings.Contains(out, `"played": "by testdata/planetarium`) {
		t.Errorf("spool --json: %s", out)
	}
}
