package vrig

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	shown "witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/rig"
)

// setupFile declares the rig as it should be: its memory at what it is rated for.
const setupFile = `label = "memory-rated"
rig   = "heron"
[expect]
"memory.speed"  = 3200
"cpu.clock_max" = 4200
`

// The whole walk on a machine with a kernel of its own: the agent measures a
// workload in the guest, memory is configured below its rating, the rig gets hot
// in mid-run and its kernel takes the clock down; the record with all that
// arrives at a collector outside.
func TestMeasuredRunArrivesWithWhatWasWrong(t *testing.T) {
	t.Parallel()
	Need(t)
	dir := t.TempDir()
	if err := build(dir, nil, "witnessmark/collector"); err != nil {
		t.Fatal(err)
	}
	guestDir := filepath.Join(dir, "guest")
	if err := Build(guestDir+string(filepath.Separator), "witnessmark/agent"); err != nil {
		t.Fatal(err)
	}
	workload, err := buildPayload()
	if err != nil {
		t.Fatal(err)
	}
	c := serveCollector(t, filepath.Join(dir, "collector"), dir)
	agent, disk := filepath.Join(guestDir, "agent"), filepath.Join(dir, "disk")
	if err := MakeDisk(disk); err != nil {
		t.Fatal(err)
	}
	c.enroll(t, agent, disk)
	setup := filepath.Join(dir, "heron-rated.toml")
	if err := os.WriteFile(setup, []byte(setupFile), 0o600); err != nil {
		t.Fatal(err)
	}
	m := dmi.Astrolabe()
	m.Configure(2400)
	r := Start(t, Config{
		Firmware: m.Structures(), Cooling: true, Cores: 2,
		Forward: []int{c.port(t)}, Disk: disk,
		Files:   map[string]string{"/bin/workload": workload, "/root/heron-rated.toml": setup},
		Payload: agent,
		Args: []string{"run", "--state", stateDir, "--collector", c.address, "--setup", "heron-rated.toml", "--idle-window", "1s",
			"--log", "frames.csv", "--log-column", "frame_ms", "--json", "--", "/bin/workload", "work", "1800", "frames.csv", "stop"},
		Timeout: 20 * time.Minute,
	})
	heatMidRun(t, r)
	log := endWorkload(t, r)
	if code, err := r.Wait(); code != 0 || err != nil {
		t.Fatalf("agent run: exit code %d, %v\n%s", code, err, r.Console())
	}
	run := c.onlyRun(t)
	checkRun(t, run)
	checkFlags(t, run)
	checkSignals(t, run)
	if got := c.ask(t, "show", run.ID, "--log"); len(log) == 0 || !bytes.HasPrefix(got, log) {
		t.Errorf("of the timing log %d bytes came, which do not begin with the %d that were seen in the guest", len(got), len(log))
	}
}

// heatMidRun lets the workload run for a while, then makes the rig hot and has
// the workload end once the kernel has taken the clock down.
func heatMidRun(t *testing.T, r *Rig) {
	t.Helper()
	eventually(t, r, "ls /root/frames.csv", "/root/frames.csv")
	eventually(t, r, maxClock, "4200000")
	time.Sleep(6 * time.Second) // for samples of a cool rig
	heat(t, r, PassiveLimit+6)
	eventually(t, r, maxClock, "800000")
	time.Sleep(20 * time.Second) // and of a hot one, also by sensors that are read every 5 s
}

// endWorkload gives what there is of the timing log, and tells the workload to end.
func endWorkload(t *testing.T, r *Rig) []byte {
	t.Helper()
	log := answer(t, r, "cat /root/frames.csv")
	answer(t, r, "put /root/stop now")
	return []byte(log[:strings.LastIndexByte(log, '\n')+1])
}

// served is a collector outside, a process of its own.
//
// Its keeper works in its folder; whoever asks it is an analyst, swift.
type served struct{ program, address, data, desk string }

// port is where it listens on the loopback.
func (c served) port(t *testing.T) int {
	t.Helper()
	port, err := strconv.Atoi(c.address[strings.LastIndexByte(c.address, ':')+1:])
	if err != nil {
		t.Fatal(err)
	}
	return port
}

func serveCollector(t *testing.T, program, dir string) served {
	t.Helper()
	data := filepath.Join(dir, "kept")
	cmd := exec.Command(program, "serve", "--listen", "127.0.0.1:0", "--data", data)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("the collector said:\n%s", complaints.Bytes())
		}
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("collector serve: %v\n%s", err, complaints.Bytes())
	}
	c := served{program, strings.TrimSpace(line), data, filepath.Join(dir, "desk")}
	c.does(t, "login", "--collector", c.address, "--state", c.desk, "--token", c.token(t, "--analyst", "swift"))
	return c
}

// stateDir is the agent's state folder, on the rig's disk.
const stateDir = DiskDir + "/state"

// enroll boots a rig to make it the member heron, which its disk then says it is.
func (c served) enroll(t *testing.T, agent, disk string) {
	t.Helper()
	r := Start(t, Config{
		Disk: disk, Forward: []int{c.port(t)}, Payload: agent,
		Args:    []string{"enroll", "--state", stateDir, "--collector", c.address, "--token", c.token(t, "--rig", "heron")},
		Timeout: 10 * time.Minute,
	})
	if code, err := r.Wait(); code != 0 || err != nil {
		t.Fatalf("agent enroll: exit code %d, %v\n%s", code, err, r.Console())
	}
}

// token has one made that lets somebody join.
func (c served) token(t *testing.T, who ...string) string {
	t.Helper()
	return strings.TrimSpace(string(c.does(t, append([]string{"token", "--data", c.data}, who...)...)))
}

// ask asks the collector over its port.
func (c served) ask(t *testing.T, args ...string) []byte {
	t.Helper()
	return c.does(t, append(args, "--collector", c.address, "--state", c.desk)...)
}

// does runs the collector's program.
func (c served) does(t *testing.T, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(c.program, args...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("collector %q: %v\n%s", args, err, complaints.Bytes())
	}
	return out
}

// onlyRun gives the one run that the collector keeps, with all it knows of it.
func (c served) onlyRun(t *testing.T) (run shown.Run) {
	t.Helper()
	var list struct{ Runs []shown.Run }
	if err := json.Unmarshal(c.ask(t, "runs", "--json"), &list); err != nil || len(list.Runs) != 1 {
		t.Fatalf("the collector keeps %d runs, %v", len(list.Runs), err)
	}
	if err := json.Unmarshal(c.ask(t, "show", list.Runs[0].ID, "--json"), &run); err != nil {
		t.Fatal(err)
	}
	return run
}

func checkRun(t *testing.T, run shown.Run) {
	t.Helper()
	if run.Rig != "heron" || run.Setup != "memory-rated" || run.Outcome != "finished" || run.Standing != drift.Careful {
		t.Errorf("rig %s, setup %s, outcome %s, standing %s", run.Rig, run.Setup, run.Outcome, run.Standing)
	}
	if n := run.Statistics.Frames; n == nil || *n < 100 {
		t.Errorf("the log is described as %+v", run.Statistics)
	}
	if run.Receipt == nil || len(run.Receipt.Head) == 0 || run.RecordSHA256 == "" {
		t.Error("no receipt came with it")
	}
	for _, f := range [][]rig.Fact{run.Facts.Before, run.Facts.After} {
		s := rig.Snapshot{Facts: f}
		speed, _ := s.Number("memory.speed")
		rated, _ := s.Number("memory.rated_speed")
		board, _ := s.Text("board.model")
		if speed != 2400 || rated != 3200 || board != dmi.Astrolabe().Board.Product {
			t.Errorf("memory at %v of %v MT/s on board %q", speed, rated, board)
		}
	}
}

func checkFlags(t *testing.T, run shown.Run) {
	t.Helper()
	for _, want := range []struct {
		kind           drift.Kind
		fact           rig.Key // or its family
		seen, expected rig.Value
	}{
		{drift.Underrated, "memory.speed", rig.NumberOf(2400), rig.NumberOf(3200)},
		{drift.Undeclared, "memory.speed", rig.NumberOf(2400), rig.NumberOf(3200)},
		{drift.Unsteady, "cpu.policy[].clock_limit", rig.NumberOf(800), rig.NumberOf(4200)},
	} {
		i := slices.IndexFunc(run.Flags, func(f drift.Flag) bool {
			return f.Kind == want.kind && f.Fact.Family() == want.fact
		})
		if i < 0 {
			t.Errorf("no flag %s on %s", want.kind, want.fact)
			continue
		}
		if f := run.Flags[i]; f.Seen != want.seen || f.Expected != want.expected || f.Weight != rig.Caution || f.Evidence == "" {
			t.Errorf("%+v, want %v seen and %v expected", f, want.seen, want.expected)
		}
	}
	hot := slices.ContainsFunc(run.Flags, func(f drift.Flag) bool {
		return f.Kind == drift.Unsteady && f.Fact.Family() == "temperature[]" && f.Weight == rig.Caution
	})
	if !hot {
		t.Error("no flag says that a temperature was at its limit")
	}
	if t.Failed() {
		for _, f := range run.Flags {
			t.Logf("%s %s %s: seen %s, expected %s: %s", f.Weight, f.Kind, f.Fact, f.Seen, f.Expected, f.Evidence)
		}
	}
}

// checkSignals wants the temperature to be seen moving, and the clock's ceiling.
func checkSignals(t *testing.T, run shown.Run) {
	t.Helper()
	moved := map[string]bool{}
	for _, s := range run.Signals {
		if len(s.Values) == 0 {
			continue
		}
		low, high := slices.Min(s.Values), slices.Max(s.Values)
		switch family := s.Key.Family(); {
		case family == "temperature[]" && low == 45 && high == 96,
			family == "cpu.policy[].clock_limit" && low == 800 && high == 4200,
			family == "cooling[].state" && low == 0 && high > 0:
			moved[string(family)] = true
		}
	}
	for _, want := range []string{"temperature[]", "cpu.policy[].clock_limit", "cooling[].state"} {
		if !moved[want] {
			t.Errorf("no signal %s that moved as the rig did", want)
		}
	}
	if t.Failed() {
		for _, s := range run.Signals {
			t.Logf("%s, limits %v, unread %s %s: %v", s.Key, s.Limits, s.Unread, s.Detail, s.Values)
		}
	}
}
