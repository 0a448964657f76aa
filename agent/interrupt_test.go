//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
)

// Each signal that ends an agent ends the workload with all its children, and
// the run is recorded as interrupted and delivered. A machine may be so busy that the
// agent gives that up, and leaves the run in its spool, but hardly each time.
func TestInterruptedRunIsRecordedAndItsProcessesAreGone(t *testing.T) {
	var delivered atomic.Int64
	t.Cleanup(func() {
		if delivered.Load() == 0 {
			t.Error("no interrupted run was delivered by its agent")
		}
	})
	for name, test := range map[string]struct {
		signal syscall.Signal
		flags  []string
		exit   int // of the workload: by SIGINT or, when it does not listen, by SIGKILL
		detail string
	}{
		"ctrl-c":          {syscall.SIGINT, nil, 130, "stopped by the operator"},
		"asked to end":    {syscall.SIGTERM, nil, 130, "stopped by the operator"},
		"terminal closed": {syscall.SIGHUP, nil, 130, "stopped by the operator"},
		"deaf workload":   {syscall.SIGINT, []string{"-deaf"}, 137, "killed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			flags := append(test.flags, "-child", "child", "-log", "f.csv", "-done", "done", "-linger", "1m")
			cmd := b.measure("flight", []string{"--log", "f.csv", "--repeats", "3"}, flags...)
			exit, runs, complaint := interrupted(t, cmd, b.has("done"), test.signal)
			if exit != 130 || len(runs) != 1 {
				t.Fatalf("exit code %d with %d runs, want 130 with one\n%s", exit, len(runs), complaint)
			}
			r := runs[0]
			if r.Standing != drift.Voided || r.Outcome != record.Interrupted || r.Exit != test.exit || !strings.Contains(r.OutcomeDetail, test.detail) || (r.Receipt == nil) != strings.Contains(r.Spooled, "stopped by the operator") {
				t.Errorf("standing %s, outcome %s: %s, exit %d, receipt %v, spooled %q", r.Standing, r.Outcome, r.OutcomeDetail, r.Exit, r.Receipt, r.Spooled)
			}
			if r.Receipt != nil {
				delivered.Add(1)
			} else if out, err := b.agent("spool", "send").CombinedOutput(); err != nil {
				t.Errorf("%v\n%s", err, out)
			}
			if n := r.Statistics.Frames; n == nil || *n != 300 {
				t.Errorf("the log is described as %+v, want 300 frames", r.Statistics)
			}
			if kept := b.runs()["flight"]; len(kept) != 1 || kept[0].ID != r.ID {
				t.Errorf("the collector keeps %d runs", len(kept))
			}
			for _, sub := range []string{"open", "ready"} {
				if names := b.left(sub); len(names) > 0 {
					t.Errorf("left in %s: %q", sub, names)
				}
			}
			if pid, err := os.ReadFile(filepath.Join(b.dir, "child")); err != nil || alive(t, string(pid)) {
				t.Errorf("the workload's child lives on: %v", err)
			}
		})
	}
}

// A workload that nobody times any more does not go on, to disturb the next run.
func TestWorkloadDiesWithItsAgent(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux ends a child with its parent")
	}
	t.Parallel()
	b := newBench(t)
	cmd := b.measure("flight", nil, "-deaf", "-began", "began", "-linger", "10m")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var pid []byte
	for len(pid) == 0 {
		time.Sleep(5 * time.Millisecond)
		pid, _ = os.ReadFile(filepath.Join(b.dir, "began"))
	}
	cmd.Process.Kill()
	cmd.Wait()
	if alive(t, string(pid)) {
		t.Error("the workload lives on")
	}
}

// What was measured before the interrupt is shown; what was not begun leaves nothing.
func TestInterruptBetweenRepeatsKeepsThoseBefore(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	tree, sensor := warming(t, b)
	settling := b.agent("run", "--root", tree, "--name", "flight", "--json", "--repeats", "2", "--settle-below", "45", "--settle-limit", "1h",
		"--", "sh", "-c", "echo 71000 >"+sensor)
	start := time.Now()
	exit, runs, complaint := interrupted(t, settling, func() bool {
		if len(b.runs()) > 0 {
			return true
		}
		return time.Since(start) > 3*time.Minute && len(b.left("ready")) > 0 // its delivery was given up, which takes a minute
	}, syscall.SIGINT)
	if exit != 130 || len(runs) != 1 || runs[0].Outcome != record.Finished {
		t.Errorf("exit code %d with %d runs, want 130 with the one that was finished\n%s", exit, len(runs), complaint)
	}
}

// warming makes a copy of the rig's tree, and gives the file of it that a workload may
// get too warm by.
func warming(t *testing.T, b *bench) (tree, sensor string) {
	t.Helper()
	tree = filepath.Join(b.dir, "warm")
	if err := os.CopyFS(tree, os.DirFS(rigTree(t))); err != nil {
		t.Fatal(err)
	}
	inputs, err := filepath.Glob(filepath.Join(tree, "sys/devices/platform/coretemp.0/hwmon/hwmon*/temp1_input"))
	if err != nil || len(inputs) != 1 {
		t.Fatalf("the rig's thermometers are %q, %v", inputs, err)
	}
	return tree, inputs[0]
}

// Before anything is measured there is nothing to record.
func TestInterruptBeforeTheWorkloadLeavesNothing(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	workload, err := exec.LookPath("workload")
	if err != nil {
		t.Fatal(err)
	}
	watching := b.agent("run", "--idle-window", "1h", "--json", "--", workload, "-began", "began")
	exit, _, complaint := interrupted(t, watching, b.has("state/spool/open"), syscall.SIGINT)
	if exit != 130 || !strings.Contains(complaint, "interrupted") || exists(filepath.Join(b.dir, "began")) || len(b.runs()) > 0 || len(b.left("open")) > 0 {
		t.Errorf("exit code %d, runs %v, drafts %q: %s", exit, b.runs(), b.left("open"), complaint)
	}
}

// interrupted starts the call, sends the signal a little after the moment has
// come, and gives how it ended and what it printed.
func interrupted(t *testing.T, cmd *exec.Cmd, when func() bool, s syscall.Signal) (exit int, runs []answer.Run, complaint string) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for !when() {
		time.Sleep(5 * time.Millisecond)
	}
	time.Sleep(50 * time.Millisecond)
	if err := cmd.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
	exit = code(t, cmd.Wait())
	var printed struct{ Runs []answer.Run }
	if out.Len() > 0 {
		if err := json.Unmarshal(out.Bytes(), &printed); err != nil {
			t.Errorf("%v: %s", err, out.Bytes())
		}
	}
	return exit, printed.Runs, errs.String()
}

// has waits for a file in the working folder.
func (b *bench) has(file string) func() bool {
	return func() bool { return exists(filepath.Join(b.dir, file)) }
}

// alive says whether a process runs; one that nobody has waited for yet does not.
func alive(t *testing.T, pid string) bool {
	t.Helper()
	if _, err := strconv.Atoi(pid); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) { // it is being ended
		b, err := os.ReadFile("/proc/" + pid + "/stat")
		if err != nil || strings.HasPrefix(string(b[bytes.LastIndexByte(b, ')')+1:]), " Z") {
			return false
		}
	}
	return true
}
