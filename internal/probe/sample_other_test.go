//go:build !linux

package probe

import "syscall"

func newSession() *syscall.SysProcAttr { return nil }
