package main

import (
	"bufio"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// TestOnlyTheProgramIsLetGo: an archive that is open meanwhile is left as it is.
func TestOnlyTheProgramIsLetGo(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(1 << 20); err != nil {
		t.Fatal(err)
	}
	b, err := unix.Mmap(int(f.Fd()), 0, 1<<20, unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(b)
	at := uintptr(unsafe.Pointer(&b[0]))
	all := unwritten()
	for _, m := range all {
		if m.from < at+uintptr(len(b)) && at < m.to {
			t.Errorf("%x to %x is of another file", m.from, m.to)
		}
	}
	if len(all) == 0 {
		t.Error("nothing is let go")
	}
}

// What of the program is let go comes back in pieces: the kernel maps no more
// around a page than its mapping has.
func TestTheProgramIsDivided(t *testing.T) {
	trim()
	trim() // over what is divided already
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open("/proc/self/maps")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	met := 0
	for s := bufio.NewScanner(f); s.Scan(); {
		words := strings.Fields(s.Text())
		if len(words) < 6 || words[5] != self || words[1] != "r-xp" {
			continue
		}
		met++
		if m := span(words[0]); m.to-m.from > uintptr(max(piece, os.Getpagesize())) {
			t.Errorf("%d bytes lie in one mapping: %s", m.to-m.from, s.Text())
		}
	}
	if met == 0 {
		t.Fatal("the program's own mappings were not found")
	}
}
