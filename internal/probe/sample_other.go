//go:build !linux

package probe

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// openFile is a file kept open to be read in place.
type openFile struct{ file *os.File }

func keepOpen(f *os.File) *openFile { return &openFile{f} }

func (f *openFile) close() { f.file.Close() }

// readInPlace reads from the start of f.
func readInPlace(f *openFile, _ bool, buf []byte) (int, syscall.Errno) {
	n, err := f.file.ReadAt(buf, 0)
	if n > 0 || err == nil || errors.Is(err, io.EOF) {
		return n, 0
	}
	var errno syscall.Errno
	if errors.As(err, &errno) {
		return 0, errno
	}
	return 0, syscall.EIO
}
