package labtest

import (
	"os"
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

// GiveRoom gives a page of what FillDisk took back.
func GiveRoom(t testing.TB, path string) {
	t.Helper()
	info, err := os.Stat(path)
	if err == nil {
		err = os.Truncate(path, info.Size()-int64(os.Getpagesize()))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// FillDisk takes all room that is left on the disk of path for a file there, and
// gives it back when it is called.
func FillDisk(t testing.TB, path string) (empty func()) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for n := 1 << 16; n > 0; {
		if _, err = f.Write(make([]byte, n)); err != nil {
			n /= 2
		}
	}
	f.Close()
	return func() {
		if err := os.Remove(path); err != nil {
			t.Error(err)
		}
	}
}
