package dossier

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"

	"witnessmark/internal/answer"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// story is what the trail tells of a run beside its own entry.
type story struct {
	own       *told  // the record's
	markKept  *told  // the marked record
	marked    *told  // the acceptance of its mark
	declared  *told  // its setup came into force; nil in a trail of before setups had entries
	changes   []told // retractions and reinstatements
	restores  []told
	retracted bool
	keys      *keyStory
	keepers   keepers
	succeeded []succession // keys of the trail
}

// told is an entry and its place.
type told struct {
	trail.Entry
	index int64
}

// tell sorts the entries of a proof by what they tell of a run, without checking
// their proofs. Each must have its part in the story.
func (c Contents) tell(run *record.Run) (s story, err error) {
	s.keys = storyOf(trust.Member{Role: trust.Rig, Name: run.Rig})
	s.keepers = c.keepers(run.Rig)
	last, receipt := int64(-1), c.Proof.Receipt
	for _, p := range c.Proof.Entries {
		e, err := trail.ParseEntry(p.Leaf)
		if err == nil && p.Index <= last {
			err = errors.New("the entries are not in order")
		}
		if err != nil {
			return s, entryFault(p.Index, err)
		}
		last = p.Index
		switch {
		case e.Kind == trail.KindRecord && p.Index == receipt.Index && bytes.Equal(p.Leaf, receipt.Leaf):
			s.own = &told{e, p.Index}
		case e.Kind == trail.KindRecord && c.Mark != nil && s.markKept == nil:
			if e.Digest != trail.Digest(c.Mark.SHA256()) {
				return s, at(markName, fmt.Errorf("entry %d of the trail is about another record", p.Index))
			}
			s.markKept = &told{e, p.Index}
		case e.Kind == trail.KindMark && c.isMark(e, run) && s.markKept != nil && s.marked == nil && p.Index < receipt.Index:
			s.marked = &told{e, p.Index}
		case e.Kind == trail.KindSetup && isSetup(e, run) && s.declared == nil && p.Index < receipt.Index:
			s.declared = &told{e, p.Index}
		case e.Subject == run.ID && e.Digest == trail.Digest(c.Signed.SHA256()) && s.changedBy(e, p.Index):
		case e.Kind == trail.KindRestore && (p.Index > receipt.Index || c.Proof.After.givenUp()):
			s.restores = append(s.restores, told{e, p.Index})
		case s.succeededBy(e, p.Index, c.Proof.Keys):
		// A rig whose runs were kept in process may have a keeper's name. It has no
		// certificate then: no name of the roll has two roles.
		case s.keepers.takes(e, p.Index) || s.keys.takes(e, p.Index):
		default:
			return s, entryFault(p.Index, fmt.Errorf("a %v of %s does not belong here", e.Kind, e.Subject))
		}
	}
	if s.own == nil || (s.marked != nil) != (c.Mark != nil) {
		return s, at(entriesName, errors.New("the entry of the record, of its mark or of the mark's record is missing"))
	}
	if len(s.succeeded) != len(c.Proof.Keys) {
		return s, at(keysName, errors.New("the entry of a succession in it is missing"))
	}
	return s, nil
}

func entryFault(index int64, err error) error {
	return at(entriesName, fmt.Errorf("entry %d: %w", index, err))
}

func isSetup(e trail.Entry, run *record.Run) bool {
	return run.Setup != nil && e.Subject == run.Rig+"/"+run.Setup.Label && e.Digest == sha256.Sum256(run.Setup.Source)
}

func (c Contents) isMark(e trail.Entry, run *record.Run) bool {
	label := ""
	if run.Setup != nil {
		label = run.Setup.Label
	}
	return c.Mark != nil && e.Subject == run.Rig+"/"+label && e.Digest == trail.Digest(c.Mark.SHA256())
}

// changedBy takes a retraction or its withdrawal, in turns.
func (s *story) changedBy(e trail.Entry, index int64) bool {
	if e.Kind != trail.KindRetraction && e.Kind != trail.KindReinstatement || s.retracted != (e.Kind == trail.KindReinstatement) {
		return false
	}
	s.retracted = !s.retracted
	s.changes = append(s.changes, told{e, index})
	return true
}

// history gives the retractions as a summary shows them.
func (s story) history() (out []answer.Retracting) {
	for _, c := range s.changes {
		out = append(out, answer.Retracting{Withdrawn: c.Kind == trail.KindReinstatement, At: c.At, By: c.Actor, Why: c.Text, Index: c.index})
	}
	return out
}

// entries checks what the trail tells of the run, and the mark.
func (v *verification) entries() (err error) {
	for _, p := range v.Proof.Entries {
		if err := trail.CheckInclusion(v.head, p.Index, p.Leaf, p.Proof); err != nil {
			return at(entriesName, err)
		}
	}
	if v.after, err = v.tell(v.run); err != nil {
		return err
	}
	v.holds(entriesName, "the file has %s of the trail that tell of the run, each proved; times and names of people are as the collector wrote them down", screen.Many(len(v.Proof.Entries), "entry", "entries"))
	if d := v.after.declared; d != nil {
		v.holds(setupName, "it came into force on the rig with entry %d of the trail, %s UTC", d.index, screen.At(d.At))
	}
	if v.Mark != nil {
		if err := v.mark(); err != nil {
			return err
		}
	}
	for _, c := range v.after.changes {
		v.doubt(entriesName, "entry %d, %s UTC: %v by %s: %s", c.index, screen.At(c.At), c.Kind, c.Actor, c.Text)
	}
	for _, c := range v.after.restores {
		v.doubt(entriesName, "entry %d, %s UTC: the archive was restored by %s: %s", c.index, screen.At(c.At), c.Actor, c.Text)
	}
	return nil
}

// mark holds the record that the run was held against to its entries, and tells whose
// key signed it.
func (v *verification) mark() error {
	m, kept := v.marked, v.after.markKept
	if m.Rig != v.run.Rig || kept.Actor != m.Rig || kept.Subject != m.ID || kept.Length != int64(len(v.Mark.Bytes)) {
		return at(markName, fmt.Errorf("it is of rig %s, or its entry in the trail is about another record", m.Rig))
	}
	key := record.Fingerprint(v.Mark.PublicKey)
	v.holds(markName, "run %s, signed by key %s, was accepted as the mark by %s, entry %d, %s UTC", m.ID, key, v.after.marked.Actor, v.after.marked.index, screen.At(v.after.marked.At))
	if !bytes.Equal(v.Mark.PublicKey, v.Signed.PublicKey) && v.after.keys.before(v.Mark.PublicKey, kept.index) == nil {
		v.doubt(markSigName, "key %s is not the one that signed the run, and the file does not show that it was the rig's", key)
	}
	return nil
}
