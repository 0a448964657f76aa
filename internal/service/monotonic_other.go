//go:build !linux

package service

// monotonicNow is of Linux only: no other system has a manager that asks for it.
func monotonicNow() string { return "" }
