//go:build unix && !linux

package capture

import "syscall"

// dieWithAgent does nothing: this system has no such bond.
func dieWithAgent(*syscall.SysProcAttr) {}
