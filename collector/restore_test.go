package main

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
)

// backedUp makes a copy while rigs deliver, and gives it with its trail's key.
func backedUp(t *testing.T, runs int) (file, key string) {
	l := load(t)
	l.acknowledged(t, runs)
	file = filepath.Join(t.TempDir(), "dome.backup")
	says(t, 0, "backup", "--collector", l.address, "-o", file)
	l.end()
	return file, filepath.Join(l.dir, "trail.key")
}

// says runs a command in this process, which must end with a code, and gives what
// it prints.
func says(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	if code := run(context.Background(), args, strings.NewReader(""), &out, &out); code != want {
		t.Fatalf("%v: code %d, want %d: %s", args, code, want, out.String())
	}
	return out.String()
}

func namesIn(t *testing.T, dir string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}

// TestKilledRestore kills it anywhere. There is never a part of an archive, nor the
// key of one without it, with which a collector would begin another trail.
func TestKilledRestore(t *testing.T) {
	file, key := backedUp(t, 60)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	r := labtest.Rand(t)
	restoring := func(dir string) *exec.Cmd {
		cmd := exec.Command(self, "restore", file, "--data", dir, "--trail-key", key)
		cmd.Args[0] = "collector" // testscript.Main does the rest
		return cmd
	}
	begin := time.Now()
	if err := restoring(filepath.Join(t.TempDir(), "whole")).Run(); err != nil {
		t.Fatal(err)
	}
	takes := time.Since(begin)
	kills, broken, keyless := 12, 0, 0
	if testing.Short() {
		kills = 4
	}
	for i := range kills {
		dir := filepath.Join(t.TempDir(), "archive")
		cmd := restoring(dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if wait := time.Duration(r.Int64N(int64(takes) * 6 / 5)); i%2 == 0 {
			time.Sleep(wait)
		} else { // as soon as there is anything, which a random moment hardly meets
			for end := time.Now().Add(time.Minute); len(namesIn(t, dir)) == 0 && time.Now().Before(end); {
				time.Sleep(50 * time.Microsecond)
			}
		}
		cmd.Process.Kill()
		cmd.Wait()
		names := namesIn(t, dir)
		if !slices.Contains(names, "archive.db") {
			if broken++; len(names) > 0 {
				t.Errorf("without an archive there is %v", names)
			}
			says(t, 0, "restore", file, "--data", dir, "--trail-key", key)
		} else if !slices.Contains(names, "trail.key") {
			keyless++
		}
		says(t, 0, "check", filepath.Join(dir, "archive.db"))
	}
	t.Logf("%d of %d were broken off, and %d before the key was there", broken, kills, keyless)
}

// TestCopiesOnAFullDisk: a copy, and one that is restored, leave nothing there either,
// and say what is full.
func TestCopiesOnAFullDisk(t *testing.T) {
	file, key := backedUp(t, 100)
	disk := labtest.SmallDisk(t, "200k")
	archive, copied := filepath.Join(disk, "archive"), filepath.Join(disk, "dome.backup")
	for _, args := range [][]string{
		{"restore", file, "--data", archive, "--trail-key", key},
		{"backup", "--state", filepath.Dir(filepath.Dir(key)), "-o", copied},
	} {
		out := says(t, 1, args...)
		first, hint, _ := strings.Cut(out, "\n")
		if !strings.Contains(first, disk) || !strings.HasSuffix(first, "no space left on device") || hint != "hint: make room on that disk, and try again\n" {
			t.Errorf("%s: it says %q", args[0], out)
		}
	}
	if names := append(namesIn(t, archive), namesIn(t, disk)...); !slices.Equal(names, []string{"archive"}) {
		t.Errorf("left behind: %v", names)
	}
}

// TestAlteredCopies: one that its check finds altered is refused before anything
// is written.
func TestAlteredCopies(t *testing.T) {
	file, key := backedUp(t, 20)
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	r := labtest.Rand(t)
	refused := 0
	for range 60 {
		dir := filepath.Join(t.TempDir(), "archive")
		b := altered(r, whole)
		copied := filepath.Join(t.TempDir(), "dome.backup")
		if err := os.WriteFile(copied, b, 0o600); err != nil {
			t.Fatal(err)
		}
		wrong := false
		if _, err := collect.CheckFile(context.Background(), copied, "", func(string, string) { wrong = true }, nil); err != nil {
			t.Fatal(err)
		}
		if !wrong {
			continue // it was a page that is free
		}
		refused++
		out := says(t, 4, "restore", copied, "--data", dir, "--trail-key", key)
		if _, err := os.Stat(dir); !os.IsNotExist(err) || !strings.Contains(out, "the copy is damaged") {
			t.Errorf("%v: %s", err, out)
		}
	}
	t.Logf("%d were refused", refused)
	if refused == 0 {
		t.Error("none was refused")
	}
}

// altered changes a byte, a range, or the length.
func altered(r *rand.Rand, whole []byte) []byte {
	b := slices.Clone(whole)
	at := r.IntN(len(b))
	switch r.IntN(3) {
	case 0:
		b[at] ^= byte(1 + r.IntN(255))
	case 1:
		for i := range b[at:min(len(b), at+1+r.IntN(5000))] {
			b[at+i] ^= byte(1 + r.IntN(255))
		}
	case 2:
		b = b[:at]
	}
	return b
}
