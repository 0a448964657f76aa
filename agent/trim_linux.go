package main

import (
	"bufio"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// piece is how much of the program comes back at once, at most. The kernel maps
// what lies in its cache around a page that is needed, usually 64 KiB, but never
// beyond a mapping.
const piece = 16 << 10

// trim gives back what only starting needed, or some rare work: memory that the
// runtime keeps for later, and pages of the program itself, which the kernel maps
// many at a time and never takes back while nobody else needs the room. A page
// that is needed after all comes back from the page cache.
func trim() {
	debug.FreeOSMemory()
	for _, m := range divided() {
		advise(m, unix.MADV_DONTNEED)
	}
}

// divided gives the mappings that are let go, and divides them into pieces first:
// every other one is said to be wanted in no core dump, in which none of them
// would be, and what is said differently of the kernel keeps apart.
var divided = sync.OnceValue(func() []mapping {
	all := unwritten()
	size := uintptr(max(piece, os.Getpagesize()))
	for _, m := range all {
		for from := m.from; from < m.to; from += 2 * size {
			advise(mapping{from, min(from+size, m.to)}, unix.MADV_DONTDUMP)
		}
	}
	return all
})

// advise tells the kernel something of a mapping. What it does not take changes
// nothing: then more stays resident.
func advise(m mapping, advice int) {
	unix.Syscall(unix.SYS_MADVISE, m.from, m.to-m.from, uintptr(advice))
}

type mapping struct{ from, to uintptr }

// unwritten lists the mappings of the program that nobody can write to and nobody has
// written to: the linker's relocations are written before they are made read-only.
// Those of other files, an archive above all, come and go, and something else may lie
// there when memory is given back the next time.
func unwritten() (out []mapping) {
	self, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return nil
	}
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return nil
	}
	defer f.Close()
	var m mapping
	of := false // the program, and read only
	for s := bufio.NewScanner(f); s.Scan(); {
		words := strings.Fields(s.Text())
		switch {
		case len(words) >= 6 && strings.Join(words[5:], " ") == self: // also of one that was replaced: "/x/agent (deleted)"
			m, of = span(words[0]), !strings.Contains(words[1], "w")
		case len(words) >= 5 && strings.Contains(words[0], "-"):
			of = false
		case of && len(words) == 3 && words[0] == "Anonymous:" && words[1] == "0":
			out = append(out, m)
		}
	}
	return out
}

func span(s string) (m mapping) {
	from, to, _ := strings.Cut(s, "-")
	for _, x := range []struct {
		text string
		at   *uintptr
	}{{from, &m.from}, {to, &m.to}} {
		n, err := strconv.ParseUint(x.text, 16, 64)
		if err != nil {
			return mapping{}
		}
		*x.at = uintptr(n)
	}
	return m
}
