package vrig

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Errors of Wait, beside those of the machine here.
var (
	// ErrTimeout is returned when the rig was not done within its Timeout.
	ErrTimeout = errors.New("the rig was still running when its time was up")
	// ErrStopped is returned when Close, or the end of the context, stopped the rig.
	ErrStopped = errors.New("the rig was switched off from outside")
)

// A Rig is one boot of a virtual rig, from power-on to power-off. Its methods may
// be called from several goroutines.
type Rig struct {
	console *console
	control *control
	qmp     *qmp
	stop    context.CancelCauseFunc

	ended chan struct{} // closed when code and err are set
	code  int
	err   error
}

// Boot switches a rig on and returns at once; Wait tells how it ended. The rig is
// switched off when ctx ends. Errors are of the machine here or of the Config.
func Boot(ctx context.Context, c Config) (*Rig, error) {
	c, err := c.withDefaults()
	if err != nil {
		return nil, err
	}
	h, err := findHost()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "vrig-")
	if err != nil {
		return nil, err
	}
	r, err := h.boot(ctx, c, dir)
	if err != nil {
		os.RemoveAll(dir)
		return nil, fmt.Errorf("boot virtual rig: %w", err)
	}
	return r, nil
}

// Start boots a rig for a test, which it skips as Need does. It switches the rig off
// when the test ends and logs the end of the console when the test has failed.
func Start(t testing.TB, c Config) *Rig {
	t.Helper()
	Need(t)
	r, err := Boot(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.Close()
		if t.Failed() {
			t.Logf("the rig's console ended with:\n%s", r.console.tail())
		}
	})
	return r
}

func (h host) boot(ctx context.Context, c Config, dir string) (*Rig, error) {
	args, err := h.lay(c, dir)
	if err != nil {
		return nil, err
	}
	r := &Rig{console: newConsole(c.Console), ended: make(chan struct{})}
	controlPort, err := net.Listen("unix", filepath.Join(dir, controlSocket))
	if err != nil {
		return nil, err
	}
	qmpPort, err := net.Listen("unix", filepath.Join(dir, qmpSocket))
	if err != nil {
		controlPort.Close()
		return nil, err
	}
	r.control, r.qmp = newControl(r.ended), newQMP(r.ended)

	ctx, r.stop = context.WithCancelCause(ctx)
	ctx, release := context.WithTimeoutCause(ctx, c.Timeout, ErrTimeout)
	cmd := exec.CommandContext(ctx, h.qemu, args...)
	var complaints strings.Builder
	cmd.Stdout, cmd.Stderr = r.console, &complaints
	cmd.SysProcAttr = diesWithUs
	cmd.WaitDelay = 2 * time.Second // a relay that is still sending holds the error stream
	if err := cmd.Start(); err != nil {
		release()
		controlPort.Close()
		qmpPort.Close()
		return nil, err
	}
	go r.control.serve(controlPort)
	go r.qmp.serve(qmpPort)
	go func() {
		err := cmd.Wait()
		cause := context.Cause(ctx)
		release()
		r.stop(nil)
		controlPort.Close()
		qmpPort.Close()
		r.code, r.err = r.outcome(cause, err, complaints.String())
		close(r.ended)
		os.RemoveAll(dir)
	}()
	return r, nil
}

// outcome makes out how the rig ended, from why it was stopped, how qemu ended and
// what the guest last said.
func (r *Rig) outcome(stopped, qemu error, complaints string) (int, error) {
	code, reported, err := r.control.outcome()
	switch {
	case reported:
		return code, err
	case errors.Is(stopped, context.Canceled), errors.Is(stopped, context.DeadlineExceeded):
		return 0, fmt.Errorf("%w: %w", ErrStopped, stopped)
	case stopped != nil:
		return 0, stopped
	case qemu != nil:
		return 0, fmt.Errorf("emulator: %w: %s", qemu, strings.TrimSpace(complaints))
	}
	return 0, fmt.Errorf("the guest ended without a word; its console ended with:\n%s", r.console.tail())
}

// Wait waits until the rig is off and returns the payload's exit code (128 and more
// for one that a signal ended), or an error when the payload did not come to its end.
func (r *Rig) Wait() (code int, err error) {
	<-r.ended
	return r.code, r.err
}

// Close switches the rig off, if it is not off already, and waits until it is.
func (r *Rig) Close() {
	r.stop(ErrStopped)
	<-r.ended
}

// Console gives everything that the rig has printed so far, carriage returns left out.
func (r *Rig) Console() string { return r.console.String() }

// Await waits until the console contains a text, or fails when the rig or ctx ends first.
func (r *Rig) Await(ctx context.Context, text string) error {
	for {
		grown := r.console.grown()
		if strings.Contains(r.console.String(), text) {
			return nil
		}
		select {
		case <-grown:
		case <-r.ended:
			if strings.Contains(r.console.String(), text) {
				return nil
			}
			return fmt.Errorf("the rig ended without printing %s; its console ended with:\n%s", strconv.Quote(text), r.console.tail())
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}
