package capture

import (
	"os"
	"os/exec"
	"syscall"
)

// group makes the workload a process group of its own.
func group(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{CreationFlags: syscall.CREATE_NEW_PROCESS_GROUP}
}

// interrupt ends the workload: there is no signal it could be asked with.
func interrupt(cmd *exec.Cmd) { cmd.Process.Kill() }

func kill(cmd *exec.Cmd) { cmd.Process.Kill() }

func endedBy(*os.ProcessState) (string, int) { return "", 0 }
