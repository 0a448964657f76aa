package probe

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"witnessmark/internal/rig"
)

// notesFile stands at the top of a captured tree and says which files were
// there at the capture and could not be read. It may be missing.
const notesFile = "tree.json"

// notes is the content of tree.json:
//
//	{"unread": [{"path": "sys/firmware/dmi/tables/DMI", "reason": "denied", "detail": "needs CAP_DAC_READ_SEARCH"}]}
//
// Paths are those with symbolic links resolved. Hashed is there when identities
// were replaced: the stand-in found in the tree, and the hash that the text it
// stands for gives as a fact.
type notes struct {
	Unread []note            `json:"unread,omitempty"`
	Hashed map[string]string `json:"hashed,omitempty"`
}

type note struct {
	Path   string     `json:"path"`
	Reason rig.Reason `json:"reason"`
	Detail string     `json:"detail,omitempty"`
}

func (t *Tree) readNotes() error {
	b, err := t.read(notesFile, 4<<20)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, &t.notes); err != nil {
		return fmt.Errorf("%s: %w", notesFile, err)
	}
	for i, n := range t.notes.Unread {
		if !fs.ValidPath(n.Path) || !slices.Contains(rig.Reasons, n.Reason) {
			return fmt.Errorf("%s: entry %d: path %q with reason %q cannot be", notesFile, i+1, n.Path, n.Reason)
		}
	}
	return nil
}

// noted returns the error that reading name gave at the capture, if it gave
// one, or the error of a system without files.
func (t *Tree) noted(name string) error {
	if t.root == nil {
		return errNoFiles
	}
	if len(t.notes.Unread) == 0 {
		return nil
	}
	real, err := t.resolve(name, nil)
	if err != nil {
		return err
	}
	for _, n := range t.notes.Unread {
		if n.Path == real {
			return &unreadError{name, rig.Unread{Reason: n.Reason, Detail: n.Detail}}
		}
	}
	return nil
}

// in returns the names in dir that are only noted.
func (n notes) in(t *Tree, dir string) (names []string) {
	if len(n.Unread) == 0 {
		return nil
	}
	real, err := t.resolve(dir, nil)
	if err != nil {
		return nil
	}
	for _, u := range n.Unread {
		if rest, ok := strings.CutPrefix(u.Path, path.Clean(real)+"/"); ok {
			name, _, _ := strings.Cut(rest, "/")
			names = append(names, name)
		}
	}
	return names
}
