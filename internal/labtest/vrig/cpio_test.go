package vrig

import (
	"strings"
	"testing"
)

// The form, written out by hand; that the kernel takes it is what every boot shows.
func TestArchiveForm(t *testing.T) {
	var a archive
	a.add("/bin/tool", 0o755, []byte("abcde"))
	a.add("bin/tool", 0o644, []byte("not again"))
	want := "070701" + "00000001" + "000041ED" + "00000000" + "00000000" + "00000001" + "00000000" + "00000000" +
		strings.Repeat("00000000", 4) + "00000004" + "00000000" + "bin\x00" + "\x00\x00" +
		"070701" + "00000002" + "000081ED" + "00000000" + "00000000" + "00000001" + "00000000" + "00000005" +
		strings.Repeat("00000000", 4) + "00000009" + "00000000" + "bin/tool\x00" + "\x00" + "abcde\x00\x00\x00" +
		"070701" + "00000000" + "00000000" + "00000000" + "00000000" + "00000001" + "00000000" + "00000000" +
		strings.Repeat("00000000", 4) + "0000000B" + "00000000" + "TRAILER!!!\x00" + "\x00\x00\x00"
	if got := string(a.bytes()); got != want {
		t.Errorf("archive:\n got %q\nwant %q", got, want)
	}
}
