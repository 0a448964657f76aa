package dossier

import (
	"errors"

	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// JudgedSince is the edition of all summaries that are kept.
const JudgedSince = judgedSince

// LeadsTo holds the last admission of a rig's key against what the trail told of its
// keys before.
func LeadsTo(entries ...trail.Entry) error {
	s := storyOf(trust.Member{Role: trust.Rig, Name: "heron"})
	for i, e := range entries {
		if !s.takes(e, int64(i)) {
			return entryFault(int64(i), errors.New("it tells nothing of keys"))
		}
	}
	return s.leadsTo(s.admitted[len(s.admitted)-1])
}
