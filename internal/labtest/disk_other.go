//go:build !linux

package labtest

import "testing"

// SmallDisk skips the test: only on Linux can a disk be made for it.
func SmallDisk(t testing.TB, size string) string {
	t.Skip("a small disk can be made on Linux only")
	return ""
}
