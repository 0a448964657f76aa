package collect

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// The key of a trail is changed in three steps, each on the disk before the next:
// the new key is made beside the present one, the archive commits the succession,
// the new key takes the place of the old. Whoever opens the folder in between goes
// on with the key that the archive says signs it.
//
//	trail.key.next   the new key, until it has its place
//	keys/            the successions, which tell of an archive that was put back behind them
const (
	nextKeyFile = keyFile + ".next"
	keysDir     = "keys"
)

// Rekey implements answer.Book.
func (c *Collector) Rekey(ctx context.Context, by, why string) (answer.Rekeyed, trail.Receipt, error) {
	if err := c.mayKeep(); err != nil {
		return answer.Rekeyed{}, trail.Receipt{}, err
	}
	if c.dir == "" {
		return answer.Rekeyed{}, trail.Receipt{}, fault.New("change key", "", errors.New("this collector has no folder to keep a key in"))
	}
	if c.archive.ReadOnly() {
		return answer.Rekeyed{}, trail.Receipt{}, fault.New("change key", filepath.Join(c.dir, keyFile), archive.ErrReadOnly).
			WithHint("put the key there from where it was kept; where it is lost for good: collector rekey --lost --why TEXT")
	}
	c.rekeying.Lock()
	defer c.rekeying.Unlock()
	if err := c.mayRekey(ctx); err != nil {
		return answer.Rekeyed{}, trail.Receipt{}, err
	}
	by = deciding(ctx, by)
	s, receipt, err := rekey(c.archive, c.dir, by, why)
	if s.Note == nil {
		return answer.Rekeyed{}, receipt, err
	}
	if err != nil { // the trail goes on with the new key, and the next start mends the rest
		c.log.Error("the new key of the trail is not at its place", "error", err)
	}
	c.log.Info("the trail is signed with another key", "key", s.New, "by", by, "why", why, "index", receipt.Index)
	c.noteHead()
	return rekeyed(s), receipt, nil
}

// keepersKeys is how many keys of a trail keepers may use up. The rest is left to the
// owner of its folder, so that no keeper, nor who has a keeper's key, can leave a trail
// that gets no other key: a design choice.
var keepersKeys = trail.MostSuccessions - 32

// keysUsed is why a keeper cannot change the key of a trail any more.
const keysUsed = "keys_used"

func (c *Collector) mayRekey(ctx context.Context) error {
	line, err := c.archive.Line()
	if p, ok := trust.PeerOf(ctx); err != nil || !ok || p.Role == trust.Owner {
		return err
	}
	if n := len(line.Earlier()); n >= keepersKeys {
		return trust.Deny(keysUsed, "the key of the trail was changed %d times; the owner of the collector's folder alone may do so once more", n)
	}
	return nil
}

func rekeyed(s archive.Succeeded) answer.Rekeyed {
	return answer.Rekeyed{Old: s.Old, New: s.New, Index: s.Last.Size, Word: s.OnWord()}
}

// rekey changes the key of an open archive. An error beside a succession says what
// is to be mended of the folder.
func rekey(a *archive.Archive, dir, by, why string) (s archive.Succeeded, receipt trail.Receipt, err error) {
	if err := settleKey(a, dir); err != nil {
		return s, receipt, err
	}
	next := filepath.Join(dir, nextKeyFile)
	if err := makeKey(next); err != nil {
		return s, receipt, fault.New("make key", next, err)
	}
	key, err := LoadKey(next, false)
	if err != nil {
		return s, receipt, err
	}
	if s, receipt, err = a.Rekey(archive.Rekeying{Next: key, By: by, Why: why}); err != nil {
		return archive.Succeeded{}, receipt, errors.Join(err, settleKey(a, dir))
	}
	return s, receipt, errors.Join(noteKeys(a, dir), settleKey(a, dir))
}

// settleKey gives the next key its place if the archive is signed with it, and
// removes it if the archive is signed with the one that has the place. Nobody else
// may have the archive open. It asks the archive, since a commit that failed may be
// on the disk all the same; and a key that it cannot tell of may be the only one.
func settleKey(a *archive.Archive, dir string) error {
	next := filepath.Join(dir, nextKeyFile)
	key, err := LoadKey(next, false)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	line, err2 := a.Line()
	if err2 != nil {
		return err2
	}
	if err == nil && ofKey(line.Present(), key) {
		return takePlace(dir)
	}
	if present, err := LoadKey(filepath.Join(dir, keyFile), false); err == nil && ofKey(line.Present(), present) {
		return removeIfThere(next)
	}
	return fault.New("settle key", next, errors.Join(errors.New("neither it nor trail.key is the key that the trail is signed with"), err)).
		WithHint("put the key that is into the place of trail.key; it is " + line.Present())
}

func takePlace(dir string) error {
	err := os.Rename(filepath.Join(dir, nextKeyFile), filepath.Join(dir, keyFile))
	if err == nil {
		err = durable.SyncDir(dir)
	}
	if err != nil {
		return fault.New("put the new key at its place", filepath.Join(dir, keyFile), err)
	}
	return nil
}

// noteKeys writes down the successions that the archive has.
func noteKeys(a *archive.Archive, dir string) error {
	all, err := a.Successions("", 0)
	if err != nil || len(all) == 0 {
		return err
	}
	dir = filepath.Join(dir, keysDir)
	if err := durable.MakeDir(dir); err != nil {
		return err
	}
	for _, s := range all {
		name := fmt.Sprintf("%020d.succession", s.Last.Size)
		if b, err := os.ReadFile(filepath.Join(dir, name)); err == nil && string(b) == string(s.Note) {
			continue
		}
		if err := durable.WriteFile(dir, name, s.Note); err != nil {
			return err
		}
	}
	return nil
}

// laterKeys reads the successions that are written down in a collector's folder, in
// their order.
func laterKeys(dir string) (notes [][]byte, err error) {
	names, err := filepath.Glob(filepath.Join(dir, keysDir, "*.succession"))
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			return nil, fault.New("read succession", name, err)
		}
		notes = append(notes, b)
	}
	return notes, nil
}

// explaining gives those successions that lead on from the archive's key: without
// them nobody could open the heads of a trail that it was put back behind.
func explaining(a *archive.Archive, later [][]byte) (out [][]byte, err error) {
	line, err := a.Line()
	if err != nil {
		return nil, err
	}
	for _, n := range later {
		if l, _, err := line.Walk(n); err == nil {
			line, out = l, append(out, n)
		}
	}
	return out, nil
}

// Vouching says on whose word a trail whose key is lost gets the next one.
type Vouching struct {
	Dir     string // the collector's folder
	By, Why string
	Keeper  *trust.Identity // who vouches; nil for whoever may write into the folder
}

// Vouch gives the trail of a folder whose key is lost a new one. Nobody may serve
// the folder.
func Vouch(v Vouching) (answer.Rekeyed, error) {
	path := filepath.Join(v.Dir, ArchiveFile)
	if _, err := os.Stat(path); err != nil {
		return answer.Rekeyed{}, fault.New("change key", path, err).WithHint("name the folder of a collector with --data DIR")
	}
	if err := v.lost(path); err != nil {
		return answer.Rekeyed{}, err
	}
	next := filepath.Join(v.Dir, nextKeyFile)
	if err := removeIfThere(next); err != nil {
		return answer.Rekeyed{}, err
	}
	if err := makeKey(next); err != nil {
		return answer.Rekeyed{}, fault.New("make key", next, err)
	}
	key, err := LoadKey(next, false)
	if err != nil {
		return answer.Rekeyed{}, err
	}
	r := archive.Rekeying{Next: key, By: v.By, Why: v.Why}
	if v.Keeper != nil {
		r.By, r.Keeper = v.Keeper.Name, v.Keeper.Key
	}
	s, err := archive.Vouch(path, archive.Options{Now: time.Now, Wait: 2 * time.Second}, r)
	if err != nil { // the next key stays, since the archive may have taken it all the same
		return answer.Rekeyed{}, err
	}
	return rekeyed(s), takePlace(v.Dir)
}

// KeeperOf says whether somebody is a keeper of the archive in a folder that nobody
// serves. One whose key another came after can give no word with it.
func KeeperOf(dir string, id trust.Identity) (is bool, err error) {
	a, err := archive.OpenReadOnly(filepath.Join(dir, ArchiveFile), "", 2*time.Second)
	if err != nil {
		return false, err
	}
	changes, _, err := a.Roll()
	for _, k := range archive.InForceKeys(changes) {
		switch {
		case k.Member() != id.Member || id.Role != trust.Keeper:
		case k.Key.Equal(id.Key.Public()):
			is = true
		case k.Before.Equal(id.Key.Public()):
			err = fault.New("change key", dir, fmt.Errorf("another key of %s came after the one at hand on %s", id.Member, k.At.Format(time.RFC3339))).
				WithHint("give your word with that key; or as the owner of the folder, with --state and a folder in which nobody is logged in")
		}
	}
	return is && err == nil, errors.Join(err, a.Close())
}

// lost refuses to call a key lost that is there, or that waits for its place, and to
// go on with a trail that was put back.
func (v Vouching) lost(path string) error {
	next := filepath.Join(v.Dir, nextKeyFile)
	if _, err := LoadKey(next, false); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fault.New("change key", next, fmt.Errorf("it cannot be read, and may be the key that the trail is signed with: %w", err)).
			WithHint("make it readable; where it cannot be mended, move it away and ask again")
	}
	if err := placeNext(v.Dir, path, 2*time.Second); err != nil {
		return err
	}
	a, err := archive.OpenReadOnly(path, "", 2*time.Second)
	if err != nil {
		return err
	}
	present := a.VerifierKey()
	notes, err := known(v.Dir)
	var missed []archive.Seen
	if err == nil {
		missed, _, err = missing(a, v.Dir, notes)
	}
	if err == nil && len(missed) > 0 {
		err = hiding(path, a, missed)
	}
	if err := errors.Join(err, a.Close()); err != nil {
		return err
	}
	key, err := LoadKey(filepath.Join(v.Dir, keyFile), false)
	if err == nil && ofKey(present, key) {
		return fault.New("change key", filepath.Join(v.Dir, keyFile), errors.New("the trail's key is not lost: it is there")).
			WithHint("leave --lost out, so that it signs what follows it")
	}
	return nil
}

// hiding refuses a word for a trail that was put back: heads that the lost key has
// signed beyond where it then stops would count for nothing any more.
func hiding(path string, a *archive.Archive, missed []archive.Seen) error {
	return fault.New("change key", path, cutBack(a, missed[0])).
		WithHint("bring back the archive that has it; where that is gone, too, restore the copy into an empty folder and give your word there")
}

// placeNext finishes a change of key that was broken off after the archive had
// taken it and when no other key is there.
func placeNext(dir, path string, wait time.Duration) error {
	next, err := LoadKey(filepath.Join(dir, nextKeyFile), false)
	if err != nil {
		return nil
	}
	a, err := archive.OpenReadOnly(path, "", wait)
	if err != nil {
		return err
	}
	mine := ofKey(a.VerifierKey(), next)
	if err := a.Close(); err != nil || !mine {
		return err
	}
	return takePlace(dir)
}
