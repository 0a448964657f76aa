package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/compare"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/screen"
)

// keep delivers simulated runs to the archive in a state folder.
func keep(t testing.TB, state string, runs ...compare.Run) {
	t.Helper()
	conn, err := collect.Embedded(context.Background(), filepath.Join(state, "archive"), labtest.Quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, r := range runs {
		rec, data := sim.Record(r)
		signed := labtest.NewRig(r.Rig, labtest.Seeded(uint64(len(r.Rig)))).Sign(rec, data)
		if _, err := deliver.Send(context.Background(), conn, signed.Signed, signed.Parts()); err != nil {
			t.Fatal(err)
		}
	}
}

// said runs the command and gives what it printed and its exit code.
func said(state string, args ...string) (stdout, stderr string, code int) {
	var out, diag bytes.Buffer
	cmd := rootCommand(&desk{stdout: &out, stderr: &diag, now: func() time.Time { return time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC) }, state: state})
	cmd.SetArgs(append(args, "--state", state))
	cmd.SetOut(&out)
	cmd.SetErr(&diag)
	code = screen.Fail(&diag, cmd.Name(), cmd.ExecuteContext(context.Background()))
	return out.String(), diag.String(), code
}

// asked runs the command with --json into v.
func asked(t *testing.T, state string, v any, args ...string) {
	t.Helper()
	out, diag, code := said(state, append(args, "--json")...)
	if code != 0 && code != 3 {
		t.Fatalf("%v: code %d: %s", args, code, diag)
	}
	if err := json.Unmarshal([]byte(out), v); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, out)
	}
}

// workload is short, so that many runs of it are quickly kept.
func workload(name string, clock, memory float64) sim.Workload {
	return sim.Workload{Name: name, Version: "1", Content: "time", Reference: sim.Rated, Noise: 0.004, Jitter: 0.01,
		Scenes: []sim.Scene{{Seconds: 2, Milliseconds: 10, Clock: clock, Memory: memory}}}
}

// grid is a grid of memory speed and clock, there and back, in one setup that
// declares neither: at its default, memory is below its rating.
func grid(seed uint64, w sim.Workload, repeats int) (runs []compare.Run) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(seed, 4)))
	for i := range 8 {
		if i > 3 {
			i = 7 - i
		}
		s := sim.State{MemoryMTps: []float64{2400, 3200}[i/2], ClockMHz: []float64{3400, 4100}[i%2]}
		runs = append(runs, b.Runs(w, repeats, s)...)
		b.Wait(10 * time.Minute)
	}
	return sim.WithClock(runs, 0.98)
}

func TestScalingCommand(t *testing.T) {
	state := t.TempDir()
	keep(t, state, grid(1, workload("orrery-stars", 0.05, 0.85), 2)...)
	keep(t, state, grid(2, workload("orrery-still", 0.01, 0.01), 2)...)

	var j compare.ScalingJSON
	asked(t, state, &j, "scaling", "--workload", "orrery-stars", "--factors", "memory.speed,cpu.clock_max")
	if !j.Controlled || j.Limits[0].ID != "mainly" || j.Limits[0].Factor != "memory speed" || len(j.Cells) != 4 || !j.Balanced {
		t.Errorf("%+v", j)
	}
	if f := j.Factors[1]; !f.Measured || f.Fact != "cpu.clock" || *j.Cells[1].Values[1] > 4050 {
		t.Errorf("%+v", f)
	}
	out, _, code := said(state, "scaling", "--workload", "orrery-still", "--factors", "memory.speed,cpu.clock")
	first, _, _ := strings.Cut(out, "\n")
	if code != 0 || !strings.HasPrefix(first, "controlled in all 16 runs; ") || !strings.Contains(out, "neither memory speed nor core clock limits it: elsewhere, not identified") ||
		!strings.Contains(out, "played: ") {
		t.Errorf("code %d\n%s", code, out)
	}
	out, _, _ = said(state, "scaling", "--workload", "orrery-stars", "--factors", "memory.speed,cpu.clock", "--where", "cpu.clock_max=4100")
	if !strings.Contains(out, "mainly memory speed") || !strings.Contains(out, "not_varied") {
		t.Error(out)
	}
	for _, c := range []struct{ args, want string }{
		{"--workload orrery-stars --factors memory.sped", "no fact with a number"},
		{"--workload orrery-stars --factors cpu.clock,cpu.clock_max", "both are the same"},
		{"--workload orrery-stars --factors memory.speed --mainly 2", "not possible"},
		{"--workload nothing --factors memory.speed", "fits"},
	} {
		_, diag, code := said(state, append([]string{"scaling"}, strings.Fields(c.args)...)...)
		if code == 0 || !strings.Contains(diag, c.want) || !strings.Contains(diag, "hint: ") {
			t.Errorf("%s: code %d, %s", c.args, code, diag)
		}
	}
}

// days plays a session a day: the firmware is updated on one day, and the rate falls.
func days(w sim.Workload, sessions, repeats, updated int) (runs []compare.Run) {
	b := sim.NewBench("heron", rand.New(rand.NewPCG(9, 9)))
	for day := range sessions {
		s := sim.Rated
		if day >= updated {
			s.Facts, s.Factor = map[string]any{"firmware.version": "1.10"}, 0.95
		}
		runs = append(runs, sim.WithHeat(sim.WithClock(b.Runs(w, repeats, s), 0.98), 21, 40)...)
		b.Wait(23 * time.Hour)
	}
	return runs
}

func TestHistoryCommand(t *testing.T) {
	state := t.TempDir()
	keep(t, state, days(workload("orrery", 0.4, 0.4), 30, 2, 20)...)
	var j compare.HistoryJSON
	asked(t, state, &j, "history", "--workload", "orrery", "--rig", "heron")
	var found []compare.ChangeJSON
	for _, c := range j.Changes {
		if c.Track == "outcome" && !c.Weak {
			found = append(found, c)
		}
	}
	if j.PointsAre != "sessions" || len(j.Points) != 30 || len(found) != 1 || found[0].Point != 20 || len(found[0].Causes) != 1 || found[0].Causes[0].Fact != "firmware.version" {
		t.Errorf("%s, %d points, %+v", j.PointsAre, len(j.Points), found)
	}
	if len(j.Tracks) != 3 || j.Points[3].ClockMHz == nil || j.Points[3].Rise == nil {
		t.Errorf("%d tracks, %+v", len(j.Tracks), j.Points[3])
	}
	out, _, code := said(state, "history", "--workload", "orrery", "--rig", "heron")
	for _, want := range []string{"1 change of the outcome", "board firmware changed", "once in about 206 points", "changed here", "provisional limits from the first 15 points"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if code != 0 {
		t.Errorf("code %d", code)
	}
	if _, diag, code := said(state, "history", "--workload", "orrery", "--rig", "heron", "--by", "day"); code != 2 || !strings.Contains(diag, "run or session") {
		t.Errorf("code %d, %s", code, diag)
	}
}

func TestComparableCommand(t *testing.T) {
	state := t.TempDir()
	b := sim.NewBench("heron", rand.New(rand.NewPCG(3, 3)))
	w := workload("orrery", 0.4, 0.4)
	updated := sim.Rated
	updated.Facts = map[string]any{"firmware.version": "1.10", "kernel.release": "6.12"}
	to := b.Runs(w, 2, sim.Rated)
	runs := append(to, b.Runs(w, 2, sim.Default)...)
	runs = append(runs, b.Runs(w, 3, updated)...)
	keep(t, state, runs...)

	var j compare.ComparableJSON
	asked(t, state, &j, "comparable", "--to", to[0].ID)
	if len(j.Controlled) != 1 || j.Controlled[0].Factor != "memory.speed" || len(j.Controlled[0].Runs) != 2 || len(j.NotControlled) != 1 ||
		len(j.Spoilers) != 2 || j.Spoilers[0].Runs != 3 || len(j.LeftOut["repeats of the same command"]) != 1 {
		t.Errorf("%+v", j)
	}
	out, _, code := said(state, "comparable", "--to", to[0].ID, "--vary", "memory.speed")
	for _, want := range []string{"2 runs may stand, 3 not", "3200 MT/s, there 2400 MT/s", "firmware.version is 1.08, there 1.10", "what spoils most"} {
		if code != 0 || !strings.Contains(out, want) {
			t.Errorf("code %d, no %q in\n%s", code, want, out)
		}
	}
	if _, diag, code := said(state, "comparable", "--to", "nothing"); code != 1 || !strings.Contains(diag, "hint: ") {
		t.Errorf("code %d, %s", code, diag)
	}
}

func TestCoverageCommand(t *testing.T) {
	state, dir := t.TempDir(), t.TempDir()
	file := filepath.Join(dir, "plan.toml")
	text := "name = 'dome-memory'\nrepeats = 2\n[[cell]]\nworkload = 'orrery'\nrig = 'heron'\nsetup = ['memory-rated', 'memory-default']\n"
	if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	next := func() (string, int) {
		out, _, code := said(state, "coverage", file, "--next")
		return strings.TrimSpace(out), code
	}
	if out, code := next(); code != 3 || out != "run 1 repeat of orrery on heron in setup memory-rated (round 1 of 2)" {
		t.Errorf("code %d, %s", code, out)
	}
	b := sim.NewBench("heron", rand.New(rand.NewPCG(3, 4)))
	w := workload("orrery", 0.4, 0.4)
	keep(t, state, b.Runs(w, 1, sim.Rated)...)
	if out, code := next(); code != 3 || out != "run 1 repeat of orrery on heron in setup memory-default, which is in setup memory-rated (round 1 of 2)" {
		t.Errorf("code %d, %s", code, out)
	}
	keep(t, state, b.Runs(w, 1, sim.Default)...)
	if out, code := next(); code != 3 || out != "run 1 repeat of orrery on heron in setup memory-default (round 2 of 2)" {
		t.Errorf("code %d, %s", code, out)
	}
	keep(t, state, append(b.Runs(w, 1, sim.Default), b.Runs(w, 1, sim.Rated)...)...)
	if out, code := next(); code != 0 || out != "nothing is left to run" {
		t.Errorf("code %d, %s", code, out)
	}
	updated := sim.Rated
	updated.Facts = map[string]any{"firmware.version": "1.10"}
	keep(t, state, b.Runs(w, 1, updated)...)
	var j compare.CoverageJSON
	asked(t, state, &j, "coverage", file)
	if j.Complete || j.Missing != 1 || len(j.Cells[0].Stale) != 2 || len(j.Cells[0].Done) != 1 || len(j.Cells[0].StaleBecause) != 1 || j.Next.Setup != "memory-rated" || j.Cells[1].State != "done" {
		t.Errorf("%+v", j)
	}
	out, _, code := said(state, "coverage", file)
	if code != 3 || !strings.Contains(out, "dome-memory: 1 repeat to be made") || !strings.Contains(out, "firmware.version moved since") {
		t.Errorf("code %d\n%s", code, out)
	}
	if _, diag, code := said(state, "coverage", filepath.Join(dir, "none.toml")); code != 1 || !strings.Contains(diag, "hint: ") {
		t.Errorf("code %d, %s", code, diag)
	}
}
