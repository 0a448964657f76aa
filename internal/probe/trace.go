package probe

import (
	"sync"

	"witnessmark/internal/rig"
)

// trace remembers what was asked of a tree and what it answered, so that the
// same answers can be written down as a captured tree.
type trace struct {
	mu    sync.Mutex
	files map[string]answer // by the path asked for
	dirs  map[string][]string
	paths map[string]bool // every path walked

	secrets map[rig.Key]string // texts that facts give as hashes
}

// answer is what a read gave.
type answer struct {
	content []byte
	err     error
}

func newTrace() *trace {
	return &trace{files: map[string]answer{}, dirs: map[string][]string{}, paths: map[string]bool{}, secrets: map[rig.Key]string{}}
}

// file notes a read; the first answer for a path stands.
func (r *trace) file(t *Tree, path string, content []byte, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.files[path]; !ok {
		r.files[path] = answer{content, err}
	}
}

// opened notes a file whose content is to be captured without having been read.
func (r *trace) opened(t *Tree, path string, err error) {
	var b []byte
	if err == nil {
		b, err = t.read(path, readCap)
	}
	r.file(t, path, b, err)
}

func (r *trace) listed(t *Tree, dir string, names []string, err error) {
	if err != nil {
		r.file(t, dir, nil, err)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.dirs[dir] = names
}

func (r *trace) walked(t *Tree, path string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.paths[path] = true
}

func (r *trace) secret(k rig.Key, text string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.secrets[k] = text
}
