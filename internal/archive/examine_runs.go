package archive

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// runs goes through the runs that the first transaction found, each in one of its own,
// and gives how many are still there.
func (c *check) runs() (n int, err error) {
	for _, id := range c.kept {
		var x *Examined
		err = c.within("run "+id, func() error {
			if line, err := c.archive.line(c.tx); err == nil {
				c.line = line // with the keys that have followed meanwhile
			}
			b, err := c.archive.runIn(c.tx, id)
			if !errors.Is(err, ErrNotFound) {
				n++
			}
			switch v := c.tx.Bucket(bRuns).Get([]byte(id)); {
			case err == nil:
				x = c.run(id, b)
			case v != nil:
				c.wrong("run "+id, "it is a value of %d bytes and no run", len(v))
			case errors.Is(err, ErrNotFound):
				c.wrong("run "+id, "it went while the check was under way")
			default:
				return err
			}
			return nil
		})
		if err != nil || c.ctx.Err() != nil {
			return n, err
		}
		if x != nil && c.Run != nil {
			for _, what := range c.Run(*x) {
				c.wrong("run "+id, "%s", what)
			}
		}
		c.step(1)
	}
	return n, nil
}

// run tells of everything that is wrong with one run, and gives all of it where that
// can be read.
func (c *check) run(id string, b *bolt.Bucket) *Examined {
	wrong := func(err error) {
		if err != nil {
			c.wrong("run "+id, "%v", err)
		}
	}
	wrong(sealed(b))
	if b.Sequence() != 0 {
		wrong(fmt.Errorf("its bucket counts %d", b.Sequence()))
	}
	raw, err := c.archive.unpacked(b.Get([]byte("record")))
	if err != nil {
		wrong(fmt.Errorf("its record: %w", err))
		return nil
	}
	s := record.Signed{Bytes: raw, PublicKey: ed25519.PublicKey(b.Get([]byte("public_key"))), Signature: b.Get([]byte("signature"))}
	wrong(s.Verify())
	sum := s.SHA256()
	if !bytes.Equal(c.tx.Bucket(bHashes).Get(sum[:]), []byte(id)) {
		wrong(errors.New("its hash does not lead to it"))
	}
	e, err := c.receipt(id, sum)
	wrong(err)
	run, err := record.Decode(raw)
	if err != nil {
		wrong(err)
		return nil
	}
	if run.ID != id {
		wrong(fmt.Errorf("its record is of run %s", run.ID))
		return nil
	}
	l, err := c.indexed(run, b.Get([]byte("at")), e)
	wrong(err)
	x := Examined{Run: run, SHA256: sum, Labels: l, Summary: bytes.Clone(c.tx.Bucket(bSummary).Get(b.Get([]byte("at")))), Parts: map[string][]byte{}, Series: map[string][]byte{}}
	for _, err := range c.parts(b, &x) {
		wrong(err)
	}
	return &x
}

// receipt holds a run's receipt against the record, and its head against the
// tree that is there now. It gives the run's entry.
func (c *check) receipt(id string, sum trail.Digest) (trail.Entry, error) {
	r, err := c.archive.receiptOf(c.tx, id)
	if err != nil {
		return trail.Entry{}, err
	}
	e, head, err := r.Check(c.line, trail.KindRecord, sum)
	switch {
	case err != nil:
		return e, err
	case e.Subject != id:
		return e, fmt.Errorf("its receipt is of run %s", e.Subject)
	case !bytes.Equal(c.tx.Bucket(bLeaves).Get(number(r.Index)), r.Leaf):
		return e, fmt.Errorf("entry %d of the trail is not the receipt's", r.Index)
	}
	if err := trail.CheckStore(head, hashReader{c.tx}); err != nil {
		return e, fmt.Errorf("its receipt is of another trail: %w", err)
	}
	return e, nil
}

// indexed holds the rows of a run against its record, its entry and its
// retractions. It gives the labels it was judged to have.
func (c *check) indexed(run *record.Run, at []byte, e trail.Entry) (Labels, error) {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if !bytes.Equal(at, timeKey(run.Started, run.ID)) {
		wrong("its time key is not of its record")
	}
	got, err := labelsOf(c.tx.Bucket(bByTime).Get(at))
	if err != nil {
		wrong("it is not in the listing: %w", err)
		return got, errors.Join(errs...)
	}
	judged, want, err := c.standings(run)
	if err != nil {
		wrong("%w", err)
	}
	if got != want {
		wrong("it is listed as %s and should be as %s", got, want)
	}
	for _, i := range want.rows(at) {
		if !bytes.Equal(c.tx.Bucket(i.bucket).Get(i.key), i.value) {
			wrong("its row in %s is missing or differs", i.bucket)
		}
	}
	if v := c.tx.Bucket(bTails).Get(tailKey(run.ID)); v == nil || len(v) > 0 {
		wrong("its last letters do not lead to it")
	}
	summary := c.tx.Bucket(bSummary).Get(at)
	if summary == nil {
		wrong("its summary is missing")
	} else if _, after, ok := strings.Cut(e.Text, ", summary sha256 "); ok && after != fmt.Sprintf("%x", sha256.Sum256(summary)) {
		wrong("its summary is not the one that its entry binds")
	}
	return judged, errors.Join(errs...)
}

// standings gives the labels of a run as it was judged, and as its retractions
// make them.
func (c *check) standings(run *record.Run) (judged, now Labels, err error) {
	judged = Labels{Rig: run.Rig, Workload: run.Workload.Name, Played: run.Played != ""}
	if run.Setup != nil {
		judged.Setup = run.Setup.Label
	}
	judged.Standing, err = c.judged(run.ID)
	history, err2 := retractionsOf(c.tx, run.ID)
	if now = judged; InForce(history) {
		now.Standing = Retracted
	}
	for i, r := range history {
		if r.Withdrawn != (i%2 == 1) {
			err2 = errors.New("its retractions do not take turns with their withdrawals")
		}
	}
	return judged, now, errors.Join(err, err2)
}

// String lists the labels.
func (l Labels) String() string { return strings.ReplaceAll(string(l.row()), "\x00", "/") }

// parts reads all that is in a run's bucket, and finds what is missing and what
// does not belong there.
func (c *check) parts(b *bolt.Bucket, x *Examined) (errs []error) {
	var altered []string
	for _, a := range x.Run.Attachments {
		packed, err := c.archive.joinedIn(c.tx, x.Run.ID, "parts", a.Name)
		if err == nil {
			x.Parts[a.Name], err = c.archive.unpacked(packed)
		}
		if err == nil && sha256.Sum256(x.Parts[a.Name]) != a.SHA256 {
			err = errors.New("it is not what the record binds")
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("attachment %s: %w", a.Name, err))
			altered = append(altered, a.Name)
		}
	}
	for _, l := range x.Run.Logs {
		v, err := c.archive.joinedIn(c.tx, x.Run.ID, "series", l.Attachment)
		if err == nil {
			x.Series[l.Attachment] = v
		} else if !errors.Is(err, ErrNotFound) {
			errs = append(errs, fmt.Errorf("series of %s: %w", l.Attachment, err))
		}
	}
	err := b.ForEach(func(k, v []byte) error {
		if !x.knows(string(k)) {
			errs = append(errs, fmt.Errorf("%q is in its bucket and not in its record", k))
		}
		return nil
	})
	if err != nil {
		errs = append(errs, err)
	}
	for _, name := range altered {
		delete(x.Parts, name) // nothing follows from it
	}
	return errs
}

// knows says whether a key of a run's bucket belongs there.
func (x Examined) knows(key string) bool {
	f := strings.Split(key, "\x00")
	switch {
	case len(f) == 1:
		return slices.Contains([]string{"record", "public_key", "signature", "receipt", "at", string(kSeal)}, key)
	case len(f) < 3:
		return false
	case f[0] == "parts":
		_, ok := x.Parts[f[1]]
		return ok
	case f[0] == "series":
		_, ok := x.Series[f[1]]
		return ok
	}
	return false
}
