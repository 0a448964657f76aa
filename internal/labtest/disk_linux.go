package labtest

import (
	"syscall"
	"testing"
)

// SmallDisk gives a folder on a file system of its own with room for size bytes.
// It skips the test where one may not be made.
func SmallDisk(t testing.TB, size string) string {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("no small disk can be made here (needs root): %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount %s: %v", dir, err)
		}
	})
	return dir
}
