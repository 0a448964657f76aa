package vrig

import "syscall"

// diesWithUs ends the emulator when the test is killed, which no cleanup outlives.
var diesWithUs = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
