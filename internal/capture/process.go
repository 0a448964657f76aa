package capture

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"runtime"
	"sync/atomic"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/setup"
)

// grace is how long a workload has to end by itself after it was asked to.
const grace = 5 * time.Second

// process is one execution of a program, with its children as one group.
type process struct {
	cmd          *exec.Cmd
	pid          atomic.Int64
	began, ended time.Time
	exit         record.Exit
	cpu          time.Duration
}

func newProcess(command []string, env []setup.Variable, dir string, output *os.File) *process {
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Dir = dir
	cmd.Stdout, cmd.Stderr = output, output
	cmd.Env = environ(env)
	group(cmd)
	return &process{cmd: cmd}
}

func environ(vars []setup.Variable) []string {
	env := os.Environ()
	for _, v := range vars {
		env = append(env, v.Name+"="+v.Value)
	}
	return env
}

// leader is the process that leads the workload's group, 0 while there is none.
func (p *process) leader() int { return int(p.pid.Load()) }

// run starts the program and waits for its end, by itself, by its limit (0 for
// none) or by the operator.
func (p *process) run(ctx context.Context, limit time.Duration) {
	// On Linux the program dies with the thread that started it: see group.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	p.began = time.Now()
	if err := p.cmd.Start(); err != nil {
		p.ended = time.Now()
		p.exit = record.Exit{Outcome: record.NotStarted, Code: -1, Detail: startError(p.cmd, err)}
		return
	}
	p.pid.Store(int64(p.cmd.Process.Pid))
	done := make(chan error, 1)
	go func() {
		err := p.cmd.Wait()
		p.ended = time.Now()
		done <- err
	}()
	var timer <-chan time.Time
	if limit > 0 {
		t := time.NewTimer(limit)
		defer t.Stop()
		timer = t.C
	}
	select {
	case err := <-done:
		p.exit = exitOf(p.cmd, err)
	case <-ctx.Done():
		p.exit = p.stop(done, record.Interrupted, "stopped by the operator")
	case <-timer:
		p.exit = p.stop(done, record.TimedOut, fmt.Sprintf("stopped after its limit of %v", limit))
	}
	p.pid.Store(0)
	if s := p.cmd.ProcessState; s != nil {
		p.cpu = s.UserTime() + s.SystemTime()
	}
}

// startError says what could not be started, in the operator's words.
func startError(cmd *exec.Cmd, err error) string {
	var lookup *exec.Error
	var path *fs.PathError
	_, nowhere := os.Stat(cmd.Dir)
	switch {
	case errors.As(err, &lookup):
		return lookup.Name + ": " + lookup.Err.Error()
	case nowhere != nil:
		return "working folder " + cmd.Dir + ": " + cause(nowhere).Error()
	case errors.As(err, &path):
		return cmd.Args[0] + ": " + path.Err.Error()
	}
	return err.Error()
}

// stop asks the group to end and, after the grace, ends it. Whatever of the
// group is left when its leader has gone is killed. A program that had ended by
// itself before it was asked to has ended as it did.
func (p *process) stop(done <-chan error, outcome, detail string) record.Exit {
	select {
	case err := <-done:
		return exitOf(p.cmd, err)
	default:
	}
	interrupt(p.cmd)
	select {
	case <-done:
	case <-time.After(grace):
		detail += "; it did not end when asked to and was killed"
		kill(p.cmd)
		<-done
	}
	kill(p.cmd)
	e := exitOf(p.cmd, nil)
	e.Outcome, e.Detail = outcome, detail
	return e
}

// exitOf tells how the program ended by itself.
func exitOf(cmd *exec.Cmd, err error) record.Exit {
	s := cmd.ProcessState
	if s == nil {
		return record.Exit{Outcome: record.Failed, Code: -1, Detail: fmt.Sprint(err)}
	}
	if name, n := endedBy(s); n != 0 {
		return record.Exit{Outcome: record.Killed, Code: 128 + n, Detail: "signal: " + name}
	}
	if s.ExitCode() != 0 {
		return record.Exit{Outcome: record.Failed, Code: s.ExitCode(), Detail: fmt.Sprintf("exit code %d", s.ExitCode())}
	}
	return record.Exit{Outcome: record.Finished}
}

// Prepare runs a workload's preparation, outside of every measurement. What it
// prints goes to output. An ended ctx stops it and gives the context's cause.
func Prepare(ctx context.Context, w *setup.Workload, dir string, output *os.File) error {
	if len(w.Prepare) == 0 {
		return nil
	}
	p := newProcess(w.Prepare, w.Env, dir, output)
	p.run(ctx, 0)
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case p.exit.Outcome != record.Finished:
		return errors.New(p.exit.Detail)
	}
	return nil
}
