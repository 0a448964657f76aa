package service

import (
	"fmt"
	"io"
	"os"
	"syscall"
)

// isJournal reports whether w is the stream that JOURNAL_STREAM names by its
// device and inode (systemd.exec(5)). The variable alone says nothing: it is
// inherited by whoever has standard error led elsewhere.
func isJournal(w io.Writer, stream string) bool {
	f, ok := w.(*os.File)
	if !ok || stream == "" {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && fmt.Sprintf("%d:%d", st.Dev, st.Ino) == stream
}
