package rig

import (
	"crypto/sha256"
	"encoding/json"
)

// Configuration is the snapshot without the facts that pass from moment to
// moment, and without its time: what a result was taken under.
func (s Snapshot) Configuration() []Fact {
	var out []Fact
	for _, f := range s.Facts {
		if e, _ := Lookup(f.Key); e.Pace != Passing {
			out = append(out, f)
		}
	}
	return out
}

// ConfigurationSHA256 is the same for two snapshots exactly when their
// configurations are: every key, value, unit, source and reason.
func (s Snapshot) ConfigurationSHA256() [sha256.Size]byte {
	h := sha256.New()
	e := json.NewEncoder(h)
	for _, f := range s.Configuration() {
		if err := e.Encode(f); err != nil {
			panic("rig: a fact is plain texts and finite numbers") // it cannot fail
		}
	}
	return [sha256.Size]byte(h.Sum(nil))
}
