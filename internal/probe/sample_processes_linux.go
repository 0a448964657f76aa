package probe

import (
	"encoding/binary"
	"os"
	"strconv"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// openProcesses reads the processes of the running machine through one
// directory kept open, without allocating, and those of a captured tree as its
// other files.
func openProcesses(t *Tree) processes {
	if t.Live() {
		if dir, err := t.root.Open("proc"); err == nil {
			return &liveProcesses{dir: dir, fd: dir.Fd()}
		}
	}
	return treeProcesses{t}
}

type liveProcesses struct {
	dir  *os.File
	fd   uintptr
	ents [8192]byte
	name [32]byte
}

func (p *liveProcesses) close()    { p.dir.Close() }
func (p *liveProcesses) self() int { return os.Getpid() }

func (p *liveProcesses) list(into []int) []int {
	if _, err := unix.Seek(int(p.fd), 0, 0); err != nil {
		return into
	}
	for {
		n, err := unix.ReadDirent(int(p.fd), p.ents[:])
		if n <= 0 || err != nil {
			return into
		}
		for b := p.ents[:n]; len(b) > 19; {
			size := int(binary.NativeEndian.Uint16(b[16:])) // struct linux_dirent64
			if size < 20 || size > len(b) {
				break
			}
			if pid, rest, ok := leadingInteger(b[19:size]); ok && len(rest) > 0 && rest[0] == 0 {
				into = append(into, int(pid))
			}
			b = b[size:]
		}
	}
}

// stat opens PID/stat in /proc, reads it and closes it.
func (p *liveProcesses) stat(pid int, buf []byte) (int, bool) {
	name := append(strconv.AppendInt(p.name[:0], int64(pid), 10), "/stat\x00"...)
	fd, _, errno := syscall.RawSyscall6(unix.SYS_OPENAT, p.fd, uintptr(unsafe.Pointer(&name[0])), unix.O_RDONLY|unix.O_CLOEXEC, 0, 0, 0)
	if errno != 0 {
		return 0, false
	}
	n, _, errno := syscall.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)))
	syscall.RawSyscall(unix.SYS_CLOSE, fd, 0, 0)
	if errno != 0 {
		return 0, false
	}
	return int(n), true
}
