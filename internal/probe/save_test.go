package probe

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest/trees"
	"witnessmark/internal/rig"
)

// compareFacts holds two snapshots against each other, key by key.
func compareFacts(t *testing.T, want, got rig.Snapshot, passing bool) {
	t.Helper()
	for _, w := range want.Facts {
		g, _ := got.Find(w.Key)
		if e, _ := rig.Lookup(w.Key); e.Pace == rig.Passing && !passing {
			continue
		}
		if g != w {
			t.Errorf("%s: %v from %s, want %v from %s", w.Key, g, g.Source, w, w.Source)
		}
	}
	if passing && len(want.Facts) != len(got.Facts) {
		t.Errorf("%d facts, want %d", len(got.Facts), len(want.Facts))
	}
}

func TestSavedTreeGivesTheSameFacts(t *testing.T) {
	for _, r := range trees.All() {
		if strings.HasPrefix(r.Dir, "heron-") && r.Dir != "heron-unprivileged" {
			continue // the same files as heron with other values
		}
		t.Run(r.Dir, func(t *testing.T) {
			tree := plantRig(t, r.Rig)
			want := read(tree)
			for _, plain := range []bool{false, true} {
				dir := filepath.Join(t.TempDir(), "sub", "saved")
				if err := Save(context.Background(), tree, dir, plain); err != nil {
					t.Fatal(err)
				}
				saved := open(t, dir)
				compareFacts(t, want, read(saved), true)

				again := filepath.Join(t.TempDir(), "again") // a capture of a capture
				if err := Save(context.Background(), saved, again, false); err != nil {
					t.Fatal(err)
				}
				compareFacts(t, want, read(open(t, again)), true)
			}
		})
	}
}

func TestSavedTreeHidesIdentities(t *testing.T) {
	r := trees.Heron()
	tree := plantRig(t, r, files{"proc/cmdline": "root=UUID=2f3a1c44-9d0e-4b6a-8f11-0c5d7e6a9b20 ifname=net0:52:54:00:12:34:56 quiet\n"})
	secrets := []string{r.Firmware.System.Serial, r.Firmware.Board.Serial, r.Firmware.Chassis.Serial, r.System.BootID, r.System.MachineID,
		r.Firmware.Modules[1].Serial, "6f1d02c4", "2f3a1c44", "52:54:00:12:34:56"}
	dir := filepath.Join(t.TempDir(), "saved")
	if err := Save(context.Background(), tree, dir, false); err != nil {
		t.Fatal(err)
	}
	all := contents(t, dir)
	for _, s := range secrets {
		if strings.Contains(all, s) {
			t.Errorf("%q stands in the capture", s)
		}
	}
	plain := filepath.Join(t.TempDir(), "plain")
	if err := Save(context.Background(), tree, plain, true); err != nil {
		t.Fatal(err)
	}
	all = contents(t, plain)
	for _, s := range secrets {
		if !strings.Contains(all, s) && s != r.Firmware.Chassis.Serial {
			t.Errorf("%q is missing in the plain capture", s)
		}
	}
	f, _ := Snapshot(context.Background(), open(t, plain), Options{Plain: true}).Find("board.serial")
	if got, _ := f.Value.Text(); got != r.Firmware.Board.Serial {
		t.Errorf("board.serial %q in plain", got)
	}
}

func contents(t *testing.T, dir string) string {
	t.Helper()
	var all strings.Builder
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			b, _ := os.ReadFile(p)
			all.Write(b)
			all.WriteString("\n")
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all.String()
}

func TestSaveRefusesAndCleansUp(t *testing.T) {
	tree := plantRig(t, trees.Heron())
	parent := t.TempDir()
	full := filepath.Join(parent, "full")
	files{"keep": "me"}.write(t, full)
	err := Save(context.Background(), tree, full, false)
	if err == nil || !strings.Contains(err.Error(), "not empty") || fault.HintOf(err) == "" {
		t.Errorf("a directory with something in it: %v", err)
	}
	if err := Save(context.Background(), tree, filepath.Join(full, "keep"), false); err == nil {
		t.Error("a file was taken for a directory")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := Save(ctx, tree, filepath.Join(parent, "cut"), false); err == nil {
		t.Error("an interrupted capture ended well")
	}
	empty := filepath.Join(parent, "empty")
	if err := os.Mkdir(empty, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := Save(context.Background(), tree, empty, false); err != nil {
		t.Errorf("an empty directory was refused: %v", err)
	}
	names, _ := os.ReadDir(parent)
	if len(names) != 2 {
		t.Errorf("left behind: %v", names)
	}
	if b, _ := os.ReadFile(filepath.Join(full, "keep")); string(b) != "me" {
		t.Error("what was there has been touched")
	}
}

func TestSavedTreeHasNothingFromOutside(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "secret")
	files{"": ""}.write(t, outside)
	tree := plantRig(t, trees.Hidden(), files{
		"sys/class/hwmon/hwmon7": "-> " + outside, "sys/class/hwmon/hwmon8": "-> ../../../../../../../../tmp", "sys/class/hwmon/hwmon9/name": "-> /etc/hostname",
	})
	dir := filepath.Join(t.TempDir(), "saved")
	if err := Save(context.Background(), tree, dir, false); err != nil {
		t.Fatal(err)
	}
	filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if d.Type()&os.ModeSymlink != 0 {
			text, _ := os.Readlink(p)
			if filepath.IsAbs(text) || !strings.HasPrefix(filepath.Join(filepath.Dir(p), text), dir) {
				t.Errorf("%s leads to %s", p, text)
			}
		}
		return nil
	})
	compareFacts(t, read(tree), read(open(t, dir)), true)
}

func TestSaveTheLiveMachine(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: reads the whole machine; left out by -short")
	}
	tree, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	dir := filepath.Join(t.TempDir(), "saved")
	if err := Save(context.Background(), tree, dir, false); err != nil {
		t.Fatal(err)
	}
	compareFacts(t, read(tree), read(open(t, dir)), false)
}
