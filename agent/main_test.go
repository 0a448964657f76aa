package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"witnessmark/internal/answer"
)

// bin holds the two commands as they are built for use, for what the test
// binary cannot stand in for: the collector, and an agent that is killed.
var bin string

// built builds them before the tests run.
type built struct{ *testing.M }

func (b built) Run() int {
	code, err := b.run()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return code
}

func (b built) run() (code int, err error) {
	dir, err := os.MkdirTemp("", "agent-test-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	bin = dir
	listen()
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", dir+string(filepath.Separator), "witnessmark/agent", "witnessmark/collector")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0") // as deploy/build builds them
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		return 0, fmt.Errorf("build the commands: %w\n%s", err, out.Bytes())
	}
	return b.M.Run(), nil
}

// listen has the commands under test hear signals that are ignored here from the start,
// as in the background or under nohup(1): what a process catches itself is not ignored
// in those that it starts.
func listen() {
	for _, s := range []os.Signal{os.Interrupt, syscall.SIGHUP} {
		if signal.Ignored(s) {
			signal.Notify(make(chan os.Signal, 1), s)
		}
	}
}

// The test binary is the agent in scripts, and the workload that it measures.
func TestMain(m *testing.M) {
	testscript.Main(built{m}, map[string]func(){"agent": main, "workload": workloadMain})
}

// program is where one of the built commands is.
func program(name string) string { return filepath.Join(bin, name) }

// code gives the exit code of a command that ran, -1 when a signal ended it.
func code(t testing.TB, err error) int {
	t.Helper()
	var e *exec.ExitError
	if err != nil && !errors.As(err, &e) {
		t.Fatal(err)
	}
	if e == nil {
		return 0
	}
	return e.ExitCode()
}

// measured gives the one run that an agent printed.
func measured(t testing.TB, cmd *exec.Cmd) answer.Run {
	t.Helper()
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var printed struct{ Runs []answer.Run }
	if err := json.Unmarshal(out, &printed); err != nil || len(printed.Runs) != 1 {
		t.Fatalf("%v, %d runs", err, len(printed.Runs))
	}
	return printed.Runs[0]
}
