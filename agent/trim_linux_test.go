package main

import (
	"bufio"
	"os"
	"strings"
	"testing"
)

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
