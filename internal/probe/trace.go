package probe

import (
	"io/fs"
	"maps"
	"path"
	"slices"
	"sync"

	"witnessmark/internal/rig"
)

// trace remembers what was asked of a tree and what it answered, so that the
// same answers can be written down as a captured tree.
type trace struct {
	mu      sync.Mutex
	files   map[string]answer   // by the path asked for
	dirs    map[string][]string // names by directory
	paths   map[string]bool     // resolved, or whose link was read
	secrets map[rig.Key]string  // texts that facts give as hashes
}

// answer is what a read gave.
type answer struct {
	content []byte
	err     error
}

// traced returns a copy of t that remembers.
func (t *Tree) traced() *Tree {
	c := *t
	c.trace = &trace{files: map[string]answer{}, dirs: map[string][]string{}, paths: map[string]bool{}, secrets: map[rig.Key]string{}}
	return &c
}

// file notes a read; the first answer for a path stands.
func (r *trace) file(path string, content []byte, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.files[path]; !ok {
		r.files[path] = answer{content, err}
	}
}

// opened notes a file whose content is wanted though it has not been read.
func (r *trace) opened(t *Tree, path string, err error) {
	var b []byte
	if err == nil {
		b, err = t.read(path, readCap)
	}
	r.file(path, b, err)
}

func (r *trace) listed(dir string, names []string, err error) {
	if err != nil {
		r.file(dir, nil, err)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.dirs[dir] = names
}

func (r *trace) walked(path string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.paths[path] = true
}

func (r *trace) secret(k rig.Key, text string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.secrets[k] = text
}

// picture is a captured tree before it is written, by paths without links.
type picture struct {
	files map[string][]byte
	dirs  map[string]bool
	links map[string]string
	notes notes
}

// picture draws what t was asked for. A file that could not be read becomes a
// note with the reason; one that was not there is left out.
func (t *Tree) picture() picture {
	p := picture{files: map[string][]byte{}, dirs: map[string]bool{}, links: map[string]string{}}
	for _, name := range slices.Sorted(maps.Keys(t.trace.files)) {
		p.file(t, name, t.trace.files[name])
	}
	for dir, names := range t.trace.dirs {
		p.listing(t, dir, names)
	}
	for name := range t.trace.paths {
		p.place(t, name)
	}
	slices.SortFunc(p.notes.Unread, func(a, b note) int { return rig.Compare(rig.Key(a.Path), rig.Key(b.Path)) })
	p.notes.Unread = slices.Compact(p.notes.Unread)
	return p
}

func (p *picture) file(t *Tree, name string, a answer) {
	real, err := t.resolve(name, p.link)
	if err != nil {
		real = path.Clean(name)
	}
	if a.err == nil {
		p.files[real] = a.content
		return
	}
	if why := Why(a.err); why.Reason != rig.Absent && fs.ValidPath(real) {
		p.notes.Unread = append(p.notes.Unread, note{real, why.Reason, why.Detail})
	}
}

func (p *picture) link(at, text string) { p.links[at] = text }

// listing draws the directories and links that a listing showed. Files that
// nobody read are left out.
func (p *picture) listing(t *Tree, dir string, names []string) {
	real, err := t.resolve(dir, p.link)
	if err != nil {
		return
	}
	p.dirs[real] = true
	for _, n := range names {
		p.entry(t, path.Join(real, n))
	}
}

func (p *picture) entry(t *Tree, name string) {
	i, err := t.root.Lstat(name)
	switch {
	case err != nil:
	case i.Mode()&fs.ModeSymlink != 0:
		t.resolve(name, p.link) // a link that leads outside is left out
	case i.IsDir():
		p.dirs[name] = true
	}
}

// place draws where a path led.
func (p *picture) place(t *Tree, name string) {
	real, err := t.resolve(name, p.link)
	if err != nil {
		return
	}
	i, err := t.root.Lstat(real)
	switch {
	case err != nil:
	case i.IsDir():
		p.dirs[real] = true
	case p.files[real] == nil:
		b, err := t.read(real, readCap)
		p.file(t, real, answer{b, err})
	}
}
