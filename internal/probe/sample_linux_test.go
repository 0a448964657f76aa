package probe

import (
	"os"
	"syscall"
	"testing"
)

// newSession lets a child lead a session of its own, as a workload does.
func newSession() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setsid: true} }

func TestProcessTimesOfThisProcess(t *testing.T) {
	b, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		t.Fatal(err)
	}
	p, ok := parseProcessTimes(b)
	if !ok || p.parent != os.Getppid() || p.group != syscall.Getpgrp() || p.started <= 0 {
		t.Errorf("got %+v from %s", p, b)
	}
}
