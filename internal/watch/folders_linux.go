package watch

import (
	"io/fs"
	"syscall"
	"time"
)

// plain opens no link, and does not wait for a pipe.
const plain = syscall.O_NOFOLLOW | syscall.O_NONBLOCK

// renamed says whether something was done to the file after it was last
// written: it was given its name, or its times were set, as copying does last. A
// file that is still being written was last changed by a write.
func renamed(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && time.Unix(st.Ctim.Unix()).After(info.ModTime())
}
