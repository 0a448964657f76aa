package collect

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/archive"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// heads is what a collector knows of its trail from outside the archive: the
// last head that it signed, and heads that rigs have shown it, each a signed note
// in a file. They tell of an archive that was put back to an older copy.
//
//	head         the last head signed, a second old at most while it is served
//	seen/*.head  heads signed with a key of the trail that it does not have
//	keys/        the successions of its keys
type heads struct {
	dir string

	mu    sync.Mutex
	noted time.Time
	size  int64
	later [][]byte        // successions that are written down
	lost  error           // set while the trail lacks a head that was signed
	told  map[string]bool // the files of such heads that were shown, written or not
}

const (
	headFile = "head"
	seenDir  = "seen"

	// noteEvery is how often the last head is written down.
	noteEvery = time.Second
)

// errCutBack is returned for what would be kept while the trail lacks a head that
// was signed.
var errCutBack = errors.New("the trail was put back behind a head that it had signed")

// known reads the heads that are written down in a collector's folder.
func known(dir string) (notes [][]byte, err error) {
	names, err := filepath.Glob(filepath.Join(dir, seenDir, "*.head"))
	if err != nil {
		return nil, err
	}
	for _, name := range append(names, filepath.Join(dir, headFile)) {
		b, err := os.ReadFile(name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return nil, fault.New("read signed head", name, err)
		default:
			notes = append(notes, b)
		}
	}
	return notes, nil
}

// originIn names the trail that the key in a folder has signed, as far as that is
// written down beside the archive, or else as said: an archive that is made anew
// there is then known to lack what the one before had.
func originIn(dir string, key ed25519.PrivateKey, otherwise string) (string, error) {
	notes, err := known(dir)
	if err != nil {
		return "", err
	}
	later, err := laterKeys(dir)
	if err != nil {
		return "", err
	}
	for _, n := range notes {
		origin, _, _ := strings.Cut(string(n), "\n")
		if v, err := trail.NewVerifier(origin, key.Public().(ed25519.PublicKey)); err == nil {
			if _, err := trail.OpenHead(n, note.VerifierList(v)); err == nil {
				return origin, nil
			}
		}
	}
	for _, n := range later {
		if s, err := trail.OpenSuccession(n); err == nil && ofKey(s.New, key) {
			return s.Last.Origin, nil
		}
	}
	return otherwise, nil
}

// missing gives those of the heads that the key of the archive's trail signed,
// that its trail does not have, and that no restore has given up.
// With them come the successions that explain who signed them.
func missing(a *archive.Archive, dir string, notes [][]byte) (lost []archive.Seen, out [][]byte, err error) {
	later, err := laterKeys(dir)
	if err != nil {
		return nil, nil, err
	}
	_, _, seen, err := a.Extends(notes, later...)
	if lost, out = lacking(seen, notes); err != nil || len(lost) == 0 {
		return nil, nil, err
	}
	later, err = explaining(a, later)
	return lost, append(later, out...), err
}

func lacking(seen []archive.Seen, notes [][]byte) (lost []archive.Seen, out [][]byte) {
	for i, s := range seen {
		if s.Signed && !s.Ours && !s.GivenUp {
			lost, out = append(lost, s), append(out, notes[i])
		}
	}
	return lost, out
}

// openHeads holds the archive against the heads that are written down in its
// folder.
func openHeads(a *archive.Archive, dir string) (*heads, error) {
	h := &heads{dir: dir, told: map[string]bool{}}
	notes, err := known(dir)
	if err != nil {
		return nil, err
	}
	lost, _, err := missing(a, dir, notes)
	if err == nil {
		err = noteKeys(a, dir)
	}
	if err == nil || durable.Full(err) {
		h.later, err = laterKeys(dir)
	}
	if err != nil {
		return nil, err
	}
	h.doubt(a, lost)
	return h, nil
}

// doubt remembers that the trail lacks heads.
func (h *heads) doubt(a *archive.Archive, lost []archive.Seen) {
	for _, s := range lost {
		h.lost = cutBack(a, s)
	}
}

func cutBack(a *archive.Archive, s archive.Seen) error {
	now, _, err := a.Head()
	if err != nil {
		return err
	}
	return fault.New("keep", "", fmt.Errorf("%w: signed %d %v, now %d %v", errCutBack, s.Head.Size, s.Head.Root, now.Size, now.Root)).
		WithHint("restore a newer backup, or go on without what is lost: collector restore --here --behind --why TEXT")
}

// show takes heads that a rig has shown; one that the trail lacks is written down.
// It says whether that is news.
func (h *heads) show(a *archive.Archive, seen []archive.Seen, notes [][]byte) (news bool, err error) {
	lost, kept := lacking(seen, notes)
	if len(lost) == 0 {
		return false, nil
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.doubt(a, lost)
	dir := filepath.Join(h.dir, seenDir)
	for i, s := range lost {
		name := fmt.Sprintf("%d-%s.head", s.Head.Size, hex.EncodeToString(s.Head.Root[:6]))
		if _, e := os.Lstat(filepath.Join(dir, name)); e == nil {
			continue
		}
		news = news || !h.told[name]
		h.told[name] = true
		if err = durable.MakeDir(dir); err == nil {
			err = durable.WriteFile(dir, name, kept[i])
		}
		if err != nil {
			return news, err
		}
	}
	return news, nil
}

// err says why nothing may be kept; nil when it may.
func (h *heads) err() error {
	if h == nil {
		return nil
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.lost
}

// note writes the present head down, unless that was done a moment ago or, with
// anyhow, in any case. While heads are missing the last one stays.
func (h *heads) note(a *archive.Archive, anyhow bool) error {
	if h == nil {
		return nil
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.lost != nil || !anyhow && time.Since(h.noted) < noteEvery {
		return nil
	}
	now, signed, err := a.Head()
	if err != nil || now.Size == h.size {
		return err
	}
	h.noted = time.Now()
	if err := durable.WriteFile(h.dir, headFile, signed); err != nil {
		return err
	}
	h.size = now.Size
	return nil
}

// keys gives the successions that are written down.
func (h *heads) keys() [][]byte {
	if h == nil {
		return nil
	}
	return h.later
}
