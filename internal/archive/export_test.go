package archive

import (
	"crypto/ed25519"
	"errors"
	"io"
	"os"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// SetPage makes pages of listings short, so that few runs fill many.
func (a *Archive) SetPage(rows int) { a.pageRows = rows }

// Damage changes what is stored behind the archive's back.
func (a *Archive) Damage(f func(tx *bolt.Tx) error) error { return a.db.Update(f) }

// LivePages gives the ids of the pages that hold keys and values, as bbolt itself
// tells them, and how many pages each takes.
func (a *Archive) LivePages() (pages map[int]int, size int, err error) {
	pages = map[int]int{}
	err = a.db.View(func(tx *bolt.Tx) error {
		for id := 0; ; id++ {
			p, err := tx.Page(id)
			if p == nil || err != nil {
				return err
			}
			if p.Type == "leaf" || p.Type == "branch" {
				pages[id] = 1 + p.OverflowCount
			}
			if p.Type != "free" {
				id += p.OverflowCount
			}
		}
	})
	return pages, a.db.Info().PageSize, err
}

// WalkAtOnce looks at all pages of files up to so many bytes before they are written to.
func WalkAtOnce(t testing.TB, n int64) {
	before := walkedAtOnce
	walkedAtOnce = n
	t.Cleanup(func() { walkedAtOnce = before })
}

// Bare has the archive keep records without a trail.
func (a *Archive) Bare() { a.bare = true }

// GrowTrail adds entries about nothing until the trail has n.
func (a *Archive) GrowTrail(n int64) error {
	for {
		head, _, err := a.Head()
		if err != nil || head.Size >= n {
			return err
		}
		err = a.db.Update(func(tx *bolt.Tx) error {
			for range min(n-head.Size, 5000) {
				leaf, err := a.entry(trail.KindRecord, [32]byte{byte(head.Size)}, 4096, "20310302-090312-k7q2m9xd", "heron", "clean, summary sha256 0000000000000000000000000000000000000000000000000000000000000000")
				if err != nil {
					return err
				}
				if _, head, err = a.grow(tx, head, leaf); err != nil {
					return err
				}
			}
			_, err := a.sign(tx, head)
			return err
		})
		if err != nil {
			return err
		}
	}
}

// EmptyBuckets names the buckets that hold nothing.
func (a *Archive) EmptyBuckets() (empty []string) {
	a.db.View(func(tx *bolt.Tx) error {
		for _, name := range slices.Concat(allBuckets, laterBuckets) {
			if k, _ := tx.Bucket(name).Cursor().First(); k == nil {
				empty = append(empty, string(name))
			}
		}
		return nil
	})
	return empty
}

// Admit enters changes as they are, as somebody with the trail's key could.
func (a *Archive) Admit(changes ...KeyChange) error {
	return a.db.Update(func(tx *bolt.Tx) (err error) {
		for _, k := range changes {
			_, bad := a.changeKey(tx, k)
			err = errors.Join(err, bad)
		}
		return err
	})
}

// Certify enters a certificate of a key as it is, as somebody with the trail's key could.
func (a *Archive) Certify(m trust.Member, key ed25519.PublicKey, c trust.Chain) error {
	return a.db.Update(func(tx *bolt.Tx) error { return a.putCertificate(tx, m, key, c, m.Name) })
}

// Vouched holds the word that a succession is on, as its entry would have it, against
// the keepers.
func (a *Archive) Vouched(s trail.Succession, e trail.Entry) error {
	return a.db.View(func(tx *bolt.Tx) error { return vouched(tx, s, e) })
}

// Endless says whether bbolt would not come to an end in a file, or not even to its
// buckets.
func Endless(t testing.TB, path string) bool {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return endless(f) != nil
}

// Reading is how many transactions are open to read.
func (a *Archive) Reading() int { return a.db.Stats().OpenTxN }

// FirstPages reads the two first pages of a file, and gives what is wrong with them.
func FirstPages(r io.ReaderAt) (wrong []string) {
	w := &walk{r: r, wrong: func(what string, err error) { wrong = append(wrong, what+": "+err.Error()) }}
	w.metas()
	return wrong
}
