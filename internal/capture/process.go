package capture

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"sync/atomic"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/setup"
)

// grace is how long a workload has to end by itself after it was asked to.
const grace = 5 * time.Second

// process is one execution of a workload, with its children as one group.
type process struct {
	cmd          *exec.Cmd
	pid          atomic.Int64
	began, ended time.Time
	exit         record.Exit
	cpu          time.Duration
}

func newProcess(job Job, output *os.File) *process {
	w := job.Workload
	cmd := exec.Command(w.Command[0], w.Command[1:]...)
	cmd.Dir = job.Dir
	cmd.Stdout, cmd.Stderr = output, output
	cmd.Env = environ(w.Env)
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

// run starts the workload and waits for its end, by itself, by its limit
// (0 for none) or by the operator.
func (p *process) run(ctx context.Context, limit time.Duration) {
	p.began = time.Now()
	if err := p.cmd.Start(); err != nil {
		p.ended = time.Now()
		p.exit = record.Exit{Outcome: record.NotStarted, Code: -1, Detail: startError(err)}
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

func startError(err error) string {
	var e *exec.Error
	if errors.As(err, &e) {
		return e.Name + ": " + e.Err.Error()
	}
	return err.Error()
}

// stop asks the group to end and, after the grace, ends it.
func (p *process) stop(done <-chan error, outcome, detail string) record.Exit {
	interrupt(p.cmd)
	select {
	case <-done:
	case <-time.After(grace):
		kill(p.cmd)
		<-done
		detail += "; it did not end when asked to and was killed"
	}
	e := exitOf(p.cmd, nil)
	e.Outcome, e.Detail = outcome, detail
	return e
}

// exitOf tells how the workload ended by itself.
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
// prints goes to the operator.
func Prepare(ctx context.Context, w *setup.Workload, dir string, output *os.File) error {
	if len(w.Prepare) == 0 {
		return nil
	}
	cmd := exec.CommandContext(ctx, w.Prepare[0], w.Prepare[1:]...)
	cmd.Dir, cmd.Env = dir, environ(w.Env)
	cmd.Stdout, cmd.Stderr = output, output
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = grace
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return err
	}
	return nil
}
