package durable_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"witnessmark/internal/durable"
)

// TestNameWithoutLinks: where a file system has no links a file gets its name all the
// same, and never another's.
func TestNameWithoutLinks(t *testing.T) {
	none := func(old, path string) error {
		return &os.LinkError{Op: "link", Old: old, New: path, Err: syscall.EPERM}
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "dome.backup")
	for i, want := range []error{nil, fs.ErrExist} {
		old := filepath.Join(dir, ".dome.backup-1")
		if err := os.WriteFile(old, []byte{byte(i)}, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := durable.Name(old, path, none); !errors.Is(err, want) {
			t.Errorf("%d: %v, want %v", i, err, want)
		}
		if b, err := os.ReadFile(path); err != nil || string(b) != "\x00" {
			t.Errorf("%d: %q, %v", i, b, err)
		}
	}
	if err := durable.Name(filepath.Join(dir, "nowhere"), path+"2", none); !errors.Is(err, syscall.EPERM) {
		t.Errorf("what cannot be done says %v, and not why there is no link", err)
	}
}
