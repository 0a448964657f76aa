package trees

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// builder collects a tree.
type builder struct{ Tree }

// put adds a file of one line.
func (b *builder) put(name string, value any) {
	b.Files[name] = fmt.Appendln(nil, value)
}

// text adds a file of several lines.
func (b *builder) text(name string, lines ...string) {
	b.Files[name] = []byte(strings.Join(lines, "\n") + "\n")
}

// all adds one-line files below dir.
func (b *builder) all(dir string, values map[string]any) {
	for name, v := range values {
		b.put(dir+"/"+name, v)
	}
}

// link adds a link at name to another path of the tree, relative as the kernel
// makes them.
func (b *builder) link(name, to string) {
	rel, err := filepath.Rel(path.Dir(name), to)
	if err != nil {
		panic("trees: " + err.Error()) // both are relative to the tree's top
	}
	b.Links[name] = filepath.ToSlash(rel)
}

// class enters a device into a class.
func (b *builder) class(class, name, device string) {
	b.link("sys/class/"+class+"/"+name, device)
}

func (b *builder) unread(r Rig) {
	if len(r.Unread) == 0 {
		return
	}
	j, err := json.MarshalIndent(struct {
		Unread []Unread `json:"unread"`
	}{r.Unread}, "", "  ")
	if err != nil {
		panic("trees: " + err.Error()) // three texts always encode
	}
	b.Files["tree.json"] = append(j, '\n')
}

// Write writes the tree of a rig below dir, which it makes.
func Write(dir string, r Rig) error { return Of(r).Write(dir) }

// Write writes the tree below dir, which it makes. Files that are there
// already and not in the tree stay.
func (t Tree) Write(dir string) error {
	for _, name := range slices.Sorted(maps.Keys(t.Files)) {
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			return fmt.Errorf("write tree: %w", err)
		}
		if err := os.WriteFile(p, t.Files[name], 0o644); err != nil {
			return fmt.Errorf("write tree: %w", err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(t.Links)) {
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			return fmt.Errorf("write tree: %w", err)
		}
		if err := os.Symlink(t.Links[name], p); err != nil {
			return fmt.Errorf("write tree: %w", err)
		}
	}
	return nil
}
