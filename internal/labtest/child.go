package labtest

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"
)

// roleVariable names the part that a test binary was started again to play.
const roleVariable = "WITNESSMARK_LAB_ROLE"

// Roles plays the part that this process was started for and ends the process.
// In the test itself it returns at once. Call it first in TestMain:
//
//	func TestMain(m *testing.M) {
//		labtest.Roles(map[string]func(args []string) error{"writer": write})
//		os.Exit(m.Run())
//	}
//
// A part ends when the test that started it is gone, however that ended.
func Roles(parts map[string]func(args []string) error) {
	name, ok := os.LookupEnv(roleVariable)
	if !ok {
		return
	}
	part, ok := parts[name]
	if !ok {
		fmt.Fprintf(os.Stderr, "no part %q in this test\n", name)
		os.Exit(2)
	}
	go func() {
		io.Copy(io.Discard, os.Stdin)
		os.Exit(3)
	}()
	if err := part(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// Role gives the command that starts the running test binary in a part.
func Role(name string, args ...string) *exec.Cmd {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), roleVariable+"="+name)
	return cmd
}

// Child is a process under test that is meant to be killed.
type Child struct {
	cmd    *exec.Cmd
	stdin  io.Closer
	lines  chan string
	stderr *tail
	ended  chan struct{}
	err    error
}

// Start starts a process. What it prints comes by Line; the end of what it says
// on standard error goes into the test's log if the test fails, and all of it to
// the command's Stderr if it has one.
func Start(t testing.TB, cmd *exec.Cmd) *Child {
	c := &Child{cmd: cmd, lines: make(chan string, 4096), stderr: &tail{}, ended: make(chan struct{})}
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.stdin = stdin
	if also := cmd.Stderr; also != nil {
		cmd.Stderr = io.MultiWriter(also, c.stderr)
	} else {
		cmd.Stderr = c.stderr
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		for s := bufio.NewScanner(stdout); s.Scan(); {
			c.lines <- s.Text()
		}
		close(c.lines)
		c.err = cmd.Wait()
		close(c.ended)
	}()
	t.Cleanup(func() {
		c.Kill()
		if said := c.stderr.String(); t.Failed() && said != "" {
			t.Logf("%v said: %s", cmd.Args, said)
		}
	})
	return c
}

// Line waits for the next line that the process prints; false when it ended.
func (c *Child) Line() (string, bool) {
	s, ok := <-c.lines
	return s, ok
}

// Await waits until the process has printed n more lines, or for as long as
// most. Kills that follow what a process does hit the same moments on a machine
// that is busy and on one that is not.
func (c *Child) Await(n int, most time.Duration) {
	c.await(most, func(string) bool { n--; return n < 0 })
}

// AwaitLine waits until the process prints that line, or for as long as most.
func (c *Child) AwaitLine(line string, most time.Duration) {
	met := false
	c.await(most, func(s string) bool { met = met || s == line; return met })
}

// await reads lines until enough says so; it is asked with "" before the first.
func (c *Child) await(most time.Duration, enough func(line string) bool) {
	end := time.After(most)
	line, ok := "", true
	for !enough(line) && ok {
		select {
		case line, ok = <-c.lines:
		case <-end:
			return
		}
	}
}

// Kill ends the process as a power cut would (SIGKILL) and waits until it is gone.
func (c *Child) Kill() {
	c.cmd.Process.Kill()
	for range c.lines {
	}
	<-c.ended
}

// KillAfter kills the process after d, or returns false if it ended before.
func (c *Child) KillAfter(d time.Duration) bool {
	select {
	case <-c.ended:
		return false
	case <-time.After(d):
		c.Kill()
		return true
	}
}

// Pid is the process's id.
func (c *Child) Pid() int { return c.cmd.Process.Pid }

// Signal sends a signal.
func (c *Child) Signal(s os.Signal) error { return c.cmd.Process.Signal(s) }

// Wait waits until the process ends by itself; its last words come with the error.
func (c *Child) Wait() error {
	for range c.lines {
	}
	<-c.ended
	if c.err != nil {
		return errors.Join(c.err, errors.New(c.stderr.String()))
	}
	return nil
}

// tail keeps the end of what is written to it.
type tail struct {
	mu sync.Mutex
	b  []byte
}

func (w *tail) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.b = append(w.b, b...)
	if over := len(w.b) - 8<<10; over > 0 {
		w.b = bytes.Clone(w.b[over:])
	}
	return len(b), nil
}

func (w *tail) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return string(w.b)
}
