//go:build linux

// Command vinit is PID 1 of the virtual rig. It mounts the kernel's file systems,
// carries out the setup lines of the plan that the host put into the initramfs,
// runs the payload, serves the control channel beside it, and powers off.
//
// What the payload prints goes to the console (the first serial port) through a
// pipe, so that it sees no terminal. Everything that the host acts on goes over
// the second serial port, in the lines of package guest.
//
// It is for a machine that lives for one payload: it keeps no log, restarts
// nothing, and any failure of the setup ends it.
package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/internal/labtest/vrig/guest"
)

func main() {
	mountAll()
	console := openConsole()
	host, err := openChannel(guest.Port)
	if err != nil {
		fmt.Fprintln(console, "vinit:", err)
		powerOff()
	}
	line := live(host, console)
	drain(console)
	host.say(line)
	drain(host.port)
	powerOff()
}

// live goes through the rig's one life and returns its last word to the host.
func live(host *channel, console *os.File) guest.Line {
	failed := func(err error) guest.Line { return guest.Line{Kind: guest.Failed, Text: err.Error()} }
	plan, err := readPlan(guest.PlanPath)
	if err != nil {
		return failed(err)
	}
	if err := seed(plan.Seed); err != nil {
		return failed(err)
	}
	for _, line := range plan.Setup {
		if _, err := do(line); err != nil {
			return failed(fmt.Errorf("%s: %w", line, err))
		}
	}
	host.say(guest.Line{Kind: guest.Up})
	go host.serve()
	code, err := run(plan, console)
	if err != nil {
		return failed(err)
	}
	return guest.Line{Kind: guest.Exit, Text: strconv.Itoa(code)}
}

func readPlan(path string) (p guest.Plan, err error) {
	b, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(b, &p)
	}
	return p, err
}

// mountAll mounts what programs expect of a Linux machine. What this kernel does
// not have is left out: the payload then meets what it would meet on such a rig.
func mountAll() {
	for _, m := range []struct{ kind, dir string }{
		{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/tmp"}, {"tmpfs", "/run"},
		{"debugfs", "/sys/kernel/debug"}, {"tracefs", "/sys/kernel/tracing"},
	} {
		os.MkdirAll(m.dir, 0o755)
		unix.Mount(m.kind, m.dir, m.kind, 0, "")
	}
	os.Chmod("/tmp", 0o1777)
}

func openConsole() *os.File {
	c, err := os.OpenFile("/dev/console", os.O_RDWR, 0)
	if err != nil {
		return os.Stdout
	}
	raw(c)
	return c
}

// raw makes a serial port pass bytes as they are.
func raw(f *os.File) error {
	t, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B115200
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(int(f.Fd()), unix.TCSETS, t)
}

// drain waits until a serial port has sent what was written to it.
func drain(f *os.File) { unix.IoctlSetInt(int(f.Fd()), unix.TCSBRK, 1) }

// run starts the payload and waits for it; as PID 1 it also takes in whatever
// orphans end meanwhile. A payload that a signal ended has code 128 + signal.
func run(p guest.Plan, console io.Writer) (code int, err error) {
	null, err := os.Open(os.DevNull)
	if err != nil {
		return 0, err
	}
	out, in, err := os.Pipe()
	if err != nil {
		return 0, err
	}
	pid, err := syscall.ForkExec(p.Path, append([]string{p.Path}, p.Args...), &syscall.ProcAttr{
		Dir: guest.Home, Env: p.Env,
		Files: []uintptr{null.Fd(), in.Fd(), in.Fd()},
		Sys:   &syscall.SysProcAttr{Setsid: true},
	})
	if err != nil {
		return 0, fmt.Errorf("start payload: %s: %w", p.Path, err)
	}
	payload.Store(int64(pid))
	in.Close()
	copied := make(chan struct{})
	go func() { io.Copy(console, out); close(copied) }()
	code, err = reap(pid)
	select {
	case <-copied:
	case <-time.After(time.Second): // a process that the payload left behind holds the pipe
	}
	return code, err
}

func reap(pid int) (code int, err error) {
	for {
		var ws unix.WaitStatus
		got, err := unix.Wait4(-1, &ws, 0, nil)
		switch {
		case err == unix.EINTR:
		case err != nil:
			return 0, err
		case got == pid && ws.Exited():
			return ws.ExitStatus(), nil
		case got == pid && ws.Signaled():
			return 128 + int(ws.Signal()), nil
		}
	}
}

// powerOff leaves a disk as a machine does that is shut down: written, and unmounted
// where nobody holds it any more.
func powerOff() {
	unix.Sync()
	unix.Unmount(guest.DiskDir, 0)
	unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
	select {}
}
