package collect_test

import (
	"os"
	"path/filepath"
	"testing"

	"witnessmark/internal/collect"
	"witnessmark/internal/durable"
	"witnessmark/internal/labtest"
)

// TestWordOnFullDisk: on a disk that takes the owner's identity and not the address
// beside it, what comes to be free goes to the address, and the identity stays the one
// over whose connections the collector is asked.
func TestWordOnFullDisk(t *testing.T) {
	dir := labtest.SmallDisk(t, "256k")
	filler := filepath.Join(dir, "filler")
	labtest.FillDisk(t, filler)
	leave := collect.Word(dir, labtest.Authority(t), "127.0.0.1:7410")
	if err := leave(); !durable.Full(err) || len(collect.Owner(dir)()) > 0 {
		t.Fatalf("on a full disk: %v", err)
	}
	labtest.GiveRoom(t, filler)
	if err := leave(); !durable.Full(err) {
		t.Fatalf("with room for one file: %v", err)
	}
	// Whoever reads it meanwhile keeps its room taken, were another put in its place.
	first, err := os.Open(filepath.Join(dir, "owner.pem"))
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	labtest.GiveRoom(t, filler)
	for range 2 {
		if err := leave(); err != nil {
			t.Errorf("with room for the other: %v", err)
		}
		if at := collect.ServedAt(dir); at != "127.0.0.1:7410" {
			t.Errorf("it is served at %q", at)
		}
		had, err := first.Stat()
		if err != nil {
			t.Fatal(err)
		}
		if has, err := os.Stat(first.Name()); err != nil || !os.SameFile(had, has) {
			t.Errorf("the identity is another, %v", err)
		}
	}
}
