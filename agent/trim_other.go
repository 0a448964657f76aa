//go:build !linux

package main

import "runtime/debug"

// trim gives back memory that the runtime keeps for later.
func trim() { debug.FreeOSMemory() }
