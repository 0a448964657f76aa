package dossier

import (
	"errors"

	"witnessmark/internal/trail"
)

// LeadsTo holds the last admission of a rig's key against what the trail told of its
// keys before.
func LeadsTo(entries ...trail.Entry) error {
	var s keyStory
	for i, e := range entries {
		if !s.takes(e, int64(i), Proof{}) {
			return entryFault(int64(i), errors.New("it tells nothing of keys"))
		}
	}
	last := len(s.admitted) - 1
	return keyStory{admitted: s.admitted[:last]}.leadsTo(s.admitted[last])
}
