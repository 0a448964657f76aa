package archive

import bolt "go.etcd.io/bbolt"

// SetPage makes pages of listings short, so that few runs fill many.
func (a *Archive) SetPage(rows int) { a.pageRows = rows }

// Damage changes what is stored behind the archive's back.
func (a *Archive) Damage(f func(tx *bolt.Tx) error) error { return a.db.Update(f) }
