package probe

import (
	"os"
	"testing"
)

// TestMain plants the tests' trees, which are thousands of small files, in
// memory where the system has such a place.
func TestMain(m *testing.M) {
	const memory = "/dev/shm"
	if d, err := os.MkdirTemp(memory, "probe-*"); err == nil {
		os.Setenv("TMPDIR", d)
		code := m.Run()
		os.RemoveAll(d)
		os.Exit(code)
	}
	os.Exit(m.Run())
}
