package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// loaded is a served collector that rigs deliver to as fast as it takes them.
type loaded struct {
	address, dir string
	end          func() // of all of it
	mu           sync.Mutex
	acked        []string // ids of acknowledged runs
}

func load(t *testing.T) *loaded {
	ctx, stop := context.WithCancel(context.Background())
	l := &loaded{dir: filepath.Join(t.TempDir(), "archive")}
	t.Setenv("WITNESSMARK_STATE", filepath.Dir(l.dir)) // whose owner asks
	var end func()
	l.address, end = labtest.Serve(t, l.dir)
	var wg sync.WaitGroup
	r := labtest.Rand(t)
	for i := range 4 {
		heron := labtest.NewRig("rig"+string(rune('a'+i)), labtest.Seeded(r.Uint64()))
		wg.Go(func() { l.deliver(t, ctx, heron) })
	}
	l.end = sync.OnceFunc(func() {
		stop()
		wg.Wait()
		end()
	})
	t.Cleanup(l.end)
	return l
}

func (l *loaded) deliver(t *testing.T, ctx context.Context, g *labtest.Rig) {
	conn, err := collect.Dial(l.address, collect.Owner(l.dir))
	if err != nil {
		t.Error(err)
		return
	}
	defer conn.Close()
	for ctx.Err() == nil {
		run := g.Finish(labtest.Shape{Plain: true, LogBytes: 20 << 10})
		if _, err := deliver.Send(ctx, conn, run.Signed, run.Parts()); err != nil {
			if ctx.Err() == nil {
				t.Error(err)
			}
			return
		}
		l.mu.Lock()
		l.acked = append(l.acked, run.ID)
		l.mu.Unlock()
	}
}

// acknowledged waits until there are n and gives all there are.
func (l *loaded) acknowledged(t *testing.T, n int) []string {
	for range 18_000 {
		l.mu.Lock()
		got := append([]string{}, l.acked...)
		l.mu.Unlock()
		if len(got) >= n {
			return got
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("fewer than %d runs were taken in three minutes", n)
	return nil
}

// TestBackupUnderLoad: copies made while rigs deliver are whole, hold what was
// acknowledged before they began, and can be gone on from elsewhere.
func TestBackupUnderLoad(t *testing.T) {
	l := load(t)
	for i := range 3 {
		before := l.acknowledged(t, 20*(i+1))
		dir := t.TempDir()
		file, elsewhere := filepath.Join(dir, "dome.backup"), filepath.Join(dir, "elsewhere")
		var out, errs bytes.Buffer
		for _, args := range [][]string{
			{"backup", "--collector", l.address, "-o", file},
			{"restore", "--state", elsewhere, file},
			{"check", "--state", elsewhere},
		} {
			if code := run(context.Background(), args, strings.NewReader(""), &out, &errs); code != 0 || errs.Len() > 0 {
				t.Fatalf("%v: code %d: %s", args, code, errs.String())
			}
		}
		a, err := collect.OpenArchive(filepath.Join(elsewhere, "archive"), time.Second)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range before {
			if _, err := a.Run(id); err != nil {
				t.Errorf("acknowledged before, and not in the copy: %v", err)
			}
		}
		a.Close()
		t.Logf("%d runs were acknowledged before, and %s", len(before), strings.TrimSpace(out.String()))
	}
}

// TestStoppedBackup: a copy that is broken off, by a kill or by Ctrl-C, leaves no
// file; one that is there is whole.
func TestStoppedBackup(t *testing.T) {
	l := load(t)
	l.acknowledged(t, 100)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	r := labtest.Rand(t)
	dir := t.TempDir()
	broken := 0
	begin := time.Now()
	var out bytes.Buffer
	whole := exec.Command(self, "backup", "--collector", l.address, "-o", filepath.Join(t.TempDir(), "whole"))
	whole.Args[0], whole.Stderr = "collector", &out
	if err := whole.Run(); err != nil {
		t.Fatalf("%v: %s", err, out.String())
	}
	takes := time.Since(begin)
	for i := range 8 {
		file := filepath.Join(dir, "dome.backup")
		cmd := exec.Command(self, "backup", "--collector", l.address, "-o", file)
		cmd.Args[0] = "collector" // testscript.Main does the rest
		var errs bytes.Buffer
		cmd.Stderr = &errs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		signal := os.Signal(os.Kill)
		if i%3 == 0 {
			signal = os.Interrupt
		}
		select {
		case <-time.After(takes/3 + time.Duration(r.Int64N(int64(takes)))):
			cmd.Process.Signal(signal)
			<-ended
		case err := <-ended:
			if err != nil {
				t.Fatalf("%v: %s", err, errs.String())
			}
		}
		names, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case len(names) == 0:
			broken++
		case len(names) == 1 && names[0].Name() == "dome.backup":
			var out bytes.Buffer
			if code := run(context.Background(), []string{"check", file}, strings.NewReader(""), &out, &out); code != 0 {
				t.Errorf("a broken copy is there: %s", out.String())
			}
			os.Remove(file)
		case names[0].Name() != "dome.backup":
			t.Errorf("left behind by %v: %v", signal, names)
			return
		}
		if signal == os.Interrupt && cmd.ProcessState.ExitCode() > 0 && cmd.ProcessState.ExitCode() != 130 {
			t.Errorf("interrupted: code %d: %s", cmd.ProcessState.ExitCode(), errs.String())
		}
	}
	t.Logf("%d of 8 were broken off", broken)
}

// TestCheckUnderLoad: a collector that looks at itself while rigs deliver finds
// nothing wrong, and goes on taking runs.
func TestCheckUnderLoad(t *testing.T) {
	l := load(t)
	beside := 0
	for i := 0; i < 5 || beside == 0 && i < 40; i++ { // each has more to look at than the one before
		before := len(l.acknowledged(t, 15*(i+1)))
		var out bytes.Buffer
		if code := run(context.Background(), []string{"check", "--collector", l.address}, strings.NewReader(""), &out, &out); code != 0 {
			t.Fatalf("code %d: %s", code, out.String())
		}
		beside += len(l.acknowledged(t, 0)) - before
	}
	if beside == 0 {
		t.Error("nothing was taken beside any check")
	}
}
