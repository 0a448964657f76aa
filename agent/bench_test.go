package main

import (
	"os/exec"
	"testing"
	"time"
)

// What a run costs around its workload: the agent's whole call around one that
// does nothing, and that workload started by itself, in turns within one run.
// The ratio is of wall times and holds for this machine and this moment.
func BenchmarkRunAroundNothing(b *testing.B) {
	workload, err := exec.LookPath("workload")
	if err != nil {
		b.Fatal(err)
	}
	state := b.TempDir()
	measure := func(args ...string) time.Duration {
		cmd := exec.Command(args[0], args[1:]...)
		cmd.Dir = state
		start := time.Now()
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%q: %v\n%s", args, err, out)
		}
		return time.Since(start)
	}
	run := []string{program("agent"), "run", "--state", state, "--idle-window", "0", "--json", "--"}
	measure(append(run, workload)...) // makes key and archive
	var bare, around time.Duration
	for b.Loop() {
		bare += measure(workload)
		around += measure(append(run, workload)...)
	}
	n := float64(b.N)
	b.ReportMetric(bare.Seconds()*1e3/n, "ms-bare/op")
	b.ReportMetric(around.Seconds()*1e3/n, "ms-around/op")
	b.ReportMetric(float64(around)/float64(bare), "around/bare")
}

// What the agent takes from the machine while a workload runs, as its own record
// says: the share of one processor, by live sampling at the full pace.
func BenchmarkCostWhileAWorkloadRuns(b *testing.B) {
	workload, err := exec.LookPath("workload")
	if err != nil {
		b.Fatal(err)
	}
	state := b.TempDir()
	var cpu, elapsed float64
	for b.Loop() {
		run := measured(b, exec.Command(program("agent"), "run", "--state", state, "--idle-window", "0", "--json", "--", workload, "-sleep", "2s"))
		cpu, elapsed = cpu+*run.AgentCost.CPUSeconds, elapsed+*run.ElapsedSeconds
	}
	b.ReportMetric(100*cpu/elapsed, "%-of-a-processor")
}
