package capture

import "syscall"

// dieWithAgent has the kernel kill the child when the thread that started it
// ends, which process.run keeps alive for as long as it waits.
func dieWithAgent(a *syscall.SysProcAttr) { a.Pdeathsig = syscall.SIGKILL }
