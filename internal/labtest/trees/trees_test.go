package trees_test

import (
	"io/fs"
	"iter"
	"maps"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/labtest/trees"
)

const kept = "../../../testdata/rigs"

// content lists a directory: each file's bytes, each link's text.
func content(t *testing.T, dir string) map[string]string {
	t.Helper()
	found := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		if d.Type() == fs.ModeSymlink {
			text, err := os.Readlink(p)
			found[name] = "-> " + text
			return err
		}
		b, err := os.ReadFile(p)
		found[name] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// held gives a tree as content does.
func held(tree trees.Tree) map[string]string {
	found := map[string]string{}
	for name, b := range tree.Files {
		found[name] = string(b)
	}
	for name, text := range tree.Links {
		found[name] = "-> " + text
	}
	return found
}

func TestKeptTreesAreWhatTheGeneratorGives(t *testing.T) {
	for _, r := range trees.All() {
		tree := trees.Of(r.Rig)
		if n := len(tree.Files); n >= 400 {
			t.Errorf("%s: %d files, which is many", r.Dir, n)
		}
		if d := cmp.Diff(held(tree), content(t, filepath.Join(kept, r.Dir))); d != "" {
			t.Errorf("%s: run go generate ./internal/labtest/trees (- generated, + kept):\n%s", r.Dir, d)
		}
	}
	readme, err := os.ReadFile(filepath.Join(kept, "README.md"))
	if err != nil || string(readme) != trees.Readme() {
		t.Errorf("README.md differs from what is generated (%v)", err)
	}
	entries, err := os.ReadDir(kept)
	if err != nil || len(entries) != len(trees.All())+1 {
		t.Errorf("%d entries in %s, want %d (%v)", len(entries), kept, len(trees.All())+1, err)
	}
}

func TestLinksLeadToSomethingInside(t *testing.T) {
	for _, r := range trees.All() {
		tree := trees.Of(r.Rig)
		dirs := map[string]bool{}
		for _, u := range r.Unread {
			tree.Files[u.Path] = nil
		}
		for _, names := range []iter.Seq[string]{maps.Keys(tree.Files), maps.Keys(tree.Links)} {
			for f := range names {
				for d := path.Dir(f); d != "."; d = path.Dir(d) {
					dirs[d] = true
				}
			}
		}
		for name, text := range tree.Links {
			to := path.Join(path.Dir(name), text)
			if !dirs[to] && tree.Files[to] == nil {
				t.Errorf("%s: %s leads to %s, which is not there", r.Dir, name, to)
			}
			if _, ok := tree.Files[name]; ok || dirs[name] {
				t.Errorf("%s: %s is both a link and something else", r.Dir, name)
			}
		}
	}
}

func TestUnreadFilesAreNoted(t *testing.T) {
	r := trees.Heron()
	const table = "sys/firmware/dmi/tables/DMI"
	r.Unread = []trees.Unread{{Path: table, Reason: "denied"}}
	tree := trees.Of(r)
	if _, ok := tree.Files[table]; ok || !strings.Contains(string(tree.Files["tree.json"]), table) {
		t.Error("the table is still there, or not noted")
	}
}

func TestWriteWritesTheTree(t *testing.T) {
	dir, r := t.TempDir(), trees.Hidden()
	if err := trees.Write(dir, r); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(held(trees.Of(r)), content(t, dir)); d != "" {
		t.Error(d)
	}
	if err := trees.Write(dir, r); err == nil {
		t.Error("a second tree was written over the first without a word")
	}
}
