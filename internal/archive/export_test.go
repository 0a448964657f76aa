package archive

import bolt "go.etcd.io/bbolt"

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
