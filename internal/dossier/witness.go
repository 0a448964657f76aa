package dossier

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

// witnesses checks the heads that others signed beside the collector, and that
// those are among them whom the reader demands.
func (v *verification) witnesses() error {
	var signed []string
	for _, c := range v.Proof.Cosigned {
		w, h, when, err := c.opened(v.line)
		if err == nil {
			err = trail.CheckConsistency(h, v.head, c.Consistency)
		}
		switch {
		case err != nil:
		case h.Size <= v.Proof.Receipt.Index:
			err = errors.New("the run is not yet in it")
		case signatures([]byte(c.Head)) != 2:
			err = errOthers
		case slices.Contains(signed, c.Witness):
			err = errors.New("it stands twice")
		}
		if err != nil {
			return at(cosignedName, fmt.Errorf("%s: %w", c.Witness, err))
		}
		signed = append(signed, c.Witness)
		say := v.doubt
		if slices.Contains(v.known.Witnesses, c.Witness) {
			say = v.holds
		}
		say(cosignedName, "witness %s signed the trail of %s with the run in it at %s UTC, by its own clock", c.Witness, screen.Many(int(h.Size), "entry", "entries"), screen.At(when))
		if when.Before(v.own.At.Truncate(time.Second)) {
			v.doubt(cosignedName, "by the clock of witness %s that was before the collector kept the run by its own, %s UTC", w.Name(), screen.At(v.own.At))
		}
	}
	for _, key := range v.known.Witnesses {
		if !slices.Contains(signed, key) {
			return at(cosignedName, fmt.Errorf("%w: %s", trail.ErrNotCosigned, key))
		}
	}
	return nil
}

// opened reads the head that a witness signed, and when it did.
func (c Cosigned) opened(line trail.Line) (w trail.Witness, h trail.Head, when time.Time, err error) {
	if w, err = trail.ParseWitness(c.Witness); err == nil {
		h, when, err = trail.OpenWitnessedBy([]byte(c.Head), line, w)
	}
	return w, h, when, err
}

// witnessLines tells on the cover who else signed the trail with the run in it.
func (c Contents) witnessLines(line func(string, ...any)) error {
	keys, err := lineOf(c.Proof.VerifierKey, c.Proof.Keys)
	if err != nil {
		return at(keysName, err)
	}
	for _, x := range c.Proof.Cosigned {
		_, h, when, err := x.opened(keys)
		if err != nil {
			return at(cosignedName, err)
		}
		line("  witness %s signed the trail of %s, with the run in it, %s UTC by its own clock", screen.Clean(x.Witness), screen.Many(int(h.Size), "entry", "entries"), screen.At(when))
	}
	return nil
}
