//go:build unix

package capture

import (
	"os"
	"os/exec"
	"syscall"
)

// group makes the workload and its children one process group, so that they
// are stopped and counted together. A Ctrl-C on the terminal then reaches the
// agent alone, which passes it on. A workload does not outlive an agent that is
// killed, where the system can see to that: it would be timed by nobody, and
// would disturb the runs that come after.
func group(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	dieWithAgent(cmd.SysProcAttr)
}

func interrupt(cmd *exec.Cmd) { syscall.Kill(-cmd.Process.Pid, syscall.SIGINT) }

func kill(cmd *exec.Cmd) { syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }

// endedBy gives the signal that ended the process; 0 when none did.
func endedBy(s *os.ProcessState) (string, int) {
	if w, ok := s.Sys().(syscall.WaitStatus); ok && w.Signaled() {
		return w.Signal().String(), int(w.Signal())
	}
	return "", 0
}
