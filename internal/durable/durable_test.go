package durable_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/labtest"
)

func TestMain(m *testing.M) {
	labtest.Roles(map[string]func([]string) error{"writer": writeUntilKilled, "maker": makeUntilKilled})
	os.Exit(m.Run())
}

// writeUntilKilled writes a file over and over, each time of one letter.
func writeUntilKilled(args []string) error {
	for i := 0; ; i++ {
		b := make([]byte, 100_000)
		for j := range b {
			b[j] = byte('a' + i%26)
		}
		if err := durable.WriteFile(args[0], "file", b); err != nil {
			return err
		}
		fmt.Println("written")
	}
}

func TestKilledWriter(t *testing.T) {
	dir := t.TempDir()
	r := labtest.Rand(t)
	for range 8 {
		c := labtest.Start(t, labtest.Role("writer", dir))
		c.Await(1+r.IntN(3), time.Minute)
		if !c.KillAfter(time.Duration(r.IntN(3000)) * time.Microsecond) {
			t.Fatal(c.Wait())
		}
		b, err := os.ReadFile(filepath.Join(dir, "file"))
		if err != nil || len(b) != 100_000 || b[0] != b[len(b)-1] {
			t.Fatalf("%d bytes, %v", len(b), err)
		}
	}
}

// makeUntilKilled makes one file, and stops in the midst of it.
func makeUntilKilled(args []string) error {
	f, err := durable.Create(args[0], 0o600)
	if err != nil {
		return err
	}
	for range 100 {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			return err
		}
	}
	fmt.Println("written")
	select {}
}

func TestKilledMaker(t *testing.T) {
	dir := t.TempDir()
	c := labtest.Start(t, labtest.Role("maker", filepath.Join(dir, "file")))
	if line, _ := c.Line(); line != "written" {
		t.Fatal(c.Wait())
	}
	c.Kill()
	names, err := os.ReadDir(dir)
	if err != nil || len(names) > 0 && names[0].Name() == "file" {
		t.Errorf("%v, %v", names, err)
	}
	if f, err := durable.Create(filepath.Join(dir, "probe"), 0o600); err == nil && f.Place() != f.Name() && len(names) > 0 {
		t.Errorf("the killed one left %v", names) // where a file may be without a name
	}
}

func TestCreate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	f, err := durable.Create(path, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("whole"); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("it is there before it is whole: %v", err)
	}
	if b, err := os.ReadFile(f.Place()); err != nil || string(b) != "whole" {
		t.Errorf("%q, %v", b, err)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "whole" {
		t.Errorf("%q, %v", b, err)
	}
	if _, err := durable.Create(path, 0o600); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over another: %v", err)
	}
	// Another took the name meanwhile.
	g, err := durable.Create(path+"2", 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path+"2", []byte("first"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := g.Commit(); !errors.Is(err, fs.ErrExist) {
		t.Errorf("committed over another: %v", err)
	}
	h, err := durable.Create(path+"3", 0o600)
	if err != nil || h.Abandon() != nil {
		t.Fatal(err)
	}
	names, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(names) != 2 {
		t.Errorf("left: %v, %v", names, err)
	}
}
