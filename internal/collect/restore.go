package collect

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Restoring says what an archive is to be restored from, and to where.
type Restoring struct {
	File   string  // the copy; "" goes on with the archive that is in Dir
	Dir    string  // the collector's folder
	Key    string  // file of the trail's key, to be copied into Dir; "" when it is there or not at hand
	Heads  []Shown // heads that are known to have been seen, beside those written down in Dir
	Behind bool    // goes back behind such heads
	By     string
	Why    string
}

// Shown is a signed head that somebody has kept.
type Shown struct {
	File string
	Note []byte
}

// ErrDamaged is returned when a copy does not pass its check.
var ErrDamaged = errors.New("the copy is damaged")

// ErrBehind is returned when heads that were signed are not in what is to be
// gone on from.
var ErrBehind = errors.New("it would go back behind a head that was signed")

// Restored says what was restored.
type Restored struct {
	answer.Checked
	Head     trail.Head
	Behind   *archive.Restore // recorded in the trail; nil when nothing was given up
	ReadOnly bool             // the key of its trail is not there
}

// Restore puts a copy into a collector's folder that has no archive, or goes on
// with the archive there although it lacks heads that were signed. A copy is
// checked first, and appears whole or not at all. Without Behind it does not give
// up heads; with it, that is an entry of the trail.
func Restore(ctx context.Context, r Restoring, found func(where, what string), progress func(done, total int64)) (Restored, error) {
	if r.File == "" {
		return r.goOn()
	}
	path := filepath.Join(r.Dir, ArchiveFile)
	if err := absent(path); err != nil {
		return Restored{}, err
	}
	wrong := 0
	n, err := CheckFile(ctx, r.File, "", func(where, what string) { wrong++; found(where, what) }, progress)
	switch {
	case err != nil:
		return Restored{}, err
	case wrong > 0:
		return Restored{}, fault.New("restore", r.File, ErrDamaged).WithHint("take another copy; nothing was written")
	}
	lost, err := r.lost(n.VerifierKey)
	if err != nil {
		return Restored{}, err
	}
	if err := durable.MakeDir(r.Dir); err != nil {
		return Restored{}, fault.New("restore", r.Dir, err)
	}
	out, err := r.place(ctx, path, n.VerifierKey, lost)
	out.Checked = n
	return out, err
}

// absent refuses to write over an archive.
func absent(path string) error {
	_, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = fs.ErrExist
	}
	return fault.New("restore", path, err).WithHint("nothing is overwritten: move the archive away first, or name another folder with --data DIR")
}

// lost gives the heads that the copy lacks, unless it may not go behind them.
func (r Restoring) lost(key string) (notes [][]byte, err error) {
	a, err := archive.OpenReadOnly(r.File, key, 0)
	if err != nil {
		return nil, err
	}
	defer a.Close()
	seen, notes, err := r.missing(a)
	if err == nil && len(notes) > 0 && !r.Behind {
		err = behind(r.File, a, seen)
	}
	return notes, err
}

func (r Restoring) missing(a *archive.Archive) ([]archive.Seen, [][]byte, error) {
	notes, err := known(r.Dir)
	if err != nil {
		return nil, nil, err
	}
	later, err := laterKeys(r.Dir)
	if err != nil {
		return nil, nil, err
	}
	for _, h := range r.Heads {
		switch _, _, seen, err := a.Extends([][]byte{h.Note}, later...); {
		case err != nil:
			return nil, nil, err
		case !seen[0].Signed:
			return nil, nil, fault.New("restore", h.File, fmt.Errorf("it is no head that a key of the trail %s has signed, as far as is known here", a.Origin())).
				WithHint("where the trail had another key by then, bring the folder named " + keysDir + " that lay beside the archive into " + r.Dir + " first; leave --head out for a head of another trail, and for one that a restore has given up")
		}
		notes = append(notes, h.Note)
	}
	return missing(a, r.Dir, notes)
}

func behind(where string, a *archive.Archive, seen []archive.Seen) error {
	now, _, err := a.Head()
	if err != nil {
		return err
	}
	most := seen[0].Head
	for _, s := range seen {
		if s.Head.Size > most.Size {
			most = s.Head
		}
	}
	return fault.New("restore", where, fmt.Errorf("%w: signed %d %v, here %d %v", ErrBehind, most.Size, most.Root, now.Size, now.Root)).
		WithHint("restore a newer copy; to go on without what is lost, which every rig will be alarmed by: --behind --why TEXT")
}

// place copies the file into the folder, gives it its name when it is whole, and
// brings the key last: a collector that finds the key without the archive, after
// this was killed, would begin another trail with it.
func (r Restoring) place(ctx context.Context, path, key string, lost [][]byte) (out Restored, err error) {
	private, bring, err := r.key(key)
	if err != nil {
		return out, err
	}
	out.ReadOnly = private == nil
	if len(lost) > 0 && private == nil {
		return out, fault.New("restore", r.Dir, errors.New("going back behind a signed head is recorded, and there is no key to sign with")).
			WithHint("name the file of the trail's key with --trail-key FILE")
	}
	f, err := durable.Create(path, 0o600)
	if err != nil {
		return out, fault.New("restore", path, err)
	}
	defer f.Abandon()
	if err := copyFile(ctx, f, r.File); err != nil {
		return out, fault.New("restore", path, err)
	}
	if out.Head, out.Behind, err = r.settle(f.Place(), key, private, lost); err != nil {
		return out, err
	}
	if err := f.Commit(); err != nil {
		return out, fault.New("restore", path, err)
	}
	if err := r.bring(bring); err != nil {
		return out, err
	}
	return out, r.forget(len(lost) > 0)
}

func copyFile(ctx context.Context, to io.Writer, from string) error {
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(whileWanted{ctx, to}, f)
	return err
}

// key gives the private key of the trail, nil when it is not at hand, and the bytes
// of its file where that is to be brought.
func (r Restoring) key(verifier string) (private ed25519.PrivateKey, bring []byte, err error) {
	path := filepath.Join(r.Dir, keyFile)
	from := path
	if r.Key != "" {
		from = r.Key
	}
	b, err := os.ReadFile(from)
	if errors.Is(err, fs.ErrNotExist) && r.Key == "" {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, fault.New("read key", from, err)
	}
	if private, err = LoadKey(from, false); err != nil {
		return nil, nil, err
	}
	if !ofKey(verifier, private) {
		return nil, nil, fault.New("restore", from, fmt.Errorf("it is not the key of the trail %s", verifier)).
			WithHint("bring the trail.key of when it was copied; where that is gone, restore into an empty folder and give your word there: collector rekey --lost")
	}
	if have, err := os.ReadFile(path); from == path || err == nil && bytes.Equal(have, b) {
		return private, nil, nil
	} else if err == nil {
		return nil, nil, fault.New("restore", path, errors.New("another key is there")).WithHint("move it away first")
	}
	return private, b, nil
}

// bring puts the key's file into the folder.
func (r Restoring) bring(key []byte) error {
	if key == nil {
		return nil
	}
	path := filepath.Join(r.Dir, keyFile)
	f, err := durable.Create(path, 0o600)
	if err == nil {
		_, err = f.Write(key)
		err = errors.Join(err, f.Commit())
	}
	if err != nil {
		return fault.New("bring key", path, err).WithHint("the archive is restored; put the key's file there, before it is served")
	}
	return nil
}

// settle records in the copy what it gives up.
func (r Restoring) settle(path, key string, private ed25519.PrivateKey, lost [][]byte) (trail.Head, *archive.Restore, error) {
	if len(lost) == 0 {
		a, err := archive.OpenReadOnly(path, key, 0)
		if err != nil {
			return trail.Head{}, nil, err
		}
		head, _, err := a.Head()
		return head, nil, errors.Join(err, a.Close())
	}
	a, err := archive.Open(path, archive.Options{Key: private, Now: time.Now})
	if err != nil {
		return trail.Head{}, nil, err
	}
	head, done, err := r.record(a, lost)
	return head, done, errors.Join(err, a.Close())
}

func (r Restoring) record(a *archive.Archive, lost [][]byte) (trail.Head, *archive.Restore, error) {
	done, _, err := a.Restored(r.By, r.Why, lost)
	if err != nil {
		return trail.Head{}, nil, err
	}
	head, _, err := a.Head()
	return head, &done, err
}

// forget removes what was written down of heads that are given up by now; they
// are kept in the archive.
func (r Restoring) forget(given bool) error {
	if !given {
		return nil
	}
	return errors.Join(os.RemoveAll(filepath.Join(r.Dir, seenDir)), os.RemoveAll(filepath.Join(r.Dir, keysDir)), removeIfThere(filepath.Join(r.Dir, headFile)))
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// goOn records that the archive in the folder goes on without heads that it
// signed.
func (r Restoring) goOn() (out Restored, err error) {
	if _, err := os.Stat(filepath.Join(r.Dir, ArchiveFile)); err != nil {
		return out, fault.New("restore", filepath.Join(r.Dir, ArchiveFile), err).WithHint("there is nothing to go on with: name a copy")
	}
	a, err := OpenArchive(r.Dir, 2*time.Second)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, a.Close()) }()
	out.VerifierKey = a.VerifierKey()
	seen, lost, err := r.missing(a)
	switch {
	case err != nil:
		return out, err
	case len(lost) == 0:
		return out, fault.New("restore", r.Dir, errors.New("nothing to do: it lacks no head that it is known to have signed"))
	case !r.Behind:
		return out, behind(r.Dir, a, seen)
	}
	if out.Head, out.Behind, err = r.record(a, lost); err != nil {
		return out, err
	}
	return out, r.forget(true)
}
