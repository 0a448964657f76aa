//go:build !linux

package vrig

import "syscall"

// diesWithUs is only known on Linux.
var diesWithUs *syscall.SysProcAttr
