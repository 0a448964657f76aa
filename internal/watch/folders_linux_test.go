package watch

import "syscall"

const canTellRenamed = true

// makePipe makes a named pipe where the system has them.
func makePipe(path string) bool { return syscall.Mkfifo(path, 0o666) == nil }
