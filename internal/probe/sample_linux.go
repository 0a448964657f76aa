package probe

import (
	"os"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// openFile is a file kept open to be read in place.
type openFile struct {
	file *os.File
	fd   uintptr
}

func keepOpen(f *os.File) *openFile { return &openFile{f, f.Fd()} }

func (f *openFile) close() { f.file.Close() }

// readInPlace reads from the start of f. Quick files are read without telling
// the scheduler, which costs more than the reading; a file that may take
// milliseconds must not be one of them.
func readInPlace(f *openFile, quick bool, buf []byte) (int, syscall.Errno) {
	for {
		var n uintptr
		var errno syscall.Errno
		if quick {
			n, _, errno = syscall.RawSyscall6(unix.SYS_PREAD64, f.fd, uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)), 0, 0, 0)
		} else {
			n, _, errno = syscall.Syscall6(unix.SYS_PREAD64, f.fd, uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)), 0, 0, 0)
		}
		switch errno {
		case 0:
			return int(n), 0
		case syscall.EINTR:
		default:
			return 0, errno
		}
	}
}
