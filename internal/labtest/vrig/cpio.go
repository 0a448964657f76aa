package vrig

import (
	"bytes"
	"fmt"
	"path"
	"strings"
)

// archive is a file tree in the "newc" form of cpio, which Linux unpacks as its
// first root file system (buffer-format.rst in the kernel's documentation, from
// memory): a file's header is a magic number and thirteen numbers of eight
// hexadecimal digits, header with name and data are each filled up to four bytes.
type archive struct {
	buf  bytes.Buffer
	made map[string]bool
}

// Kinds of a file in a mode.
const (
	modeDir  = 0o040000
	modeFile = 0o100000
)

// add puts a file with its permission bits at an absolute path, with the folders
// above it. A path that is there already is left alone.
func (a *archive) add(name string, perm uint32, data []byte) {
	name = strings.TrimPrefix(path.Clean("/"+name), "/")
	a.folders(path.Dir(name))
	a.entry(name, modeFile|perm, data)
}

// folders makes a folder and those above it.
func (a *archive) folders(name string) {
	name = strings.TrimPrefix(path.Clean("/"+name), "/")
	if name == "" || name == "." {
		return
	}
	a.folders(path.Dir(name))
	a.entry(name, modeDir|0o755, nil)
}

func (a *archive) entry(name string, mode uint32, data []byte) {
	if a.made == nil {
		a.made = map[string]bool{}
	}
	if a.made[name] {
		return
	}
	a.made[name] = true
	a.write(name, mode, len(a.made), data)
}

func (a *archive) write(name string, mode uint32, inode int, data []byte) {
	const noTime, links, device = 0, 1, 0
	fmt.Fprintf(&a.buf, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X",
		inode, mode, 0, 0, links, noTime, len(data), device, device, device, device, len(name)+1, 0)
	a.buf.WriteString(name + "\x00")
	a.fill()
	a.buf.Write(data)
	a.fill()
}

func (a *archive) fill() {
	for a.buf.Len()%4 != 0 {
		a.buf.WriteByte(0)
	}
}

// bytes ends the archive.
func (a *archive) bytes() []byte {
	a.write("TRAILER!!!", 0, 0, nil)
	return a.buf.Bytes()
}
