package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// ErrRetracted is returned when a run is to be retracted that is, or to be
// reinstated that is not.
var ErrRetracted = errors.New("nothing to do")

// Retracted is the standing of a run while it is retracted.
const Retracted = "void"

// Retraction is one retraction of a run, or the withdrawal of one. The last one
// of a run is in force.
type Retraction struct {
	RunID     string
	Withdrawn bool
	At        time.Time // as in its entry of the trail
	By, Why   string
	Judged    string // the run's standing by its judgement
	Index     int64  // of its entry in the trail
}

// InForce says whether the last of a run's retractions leaves it retracted.
func InForce(history []Retraction) bool {
	return len(history) > 0 && !history[len(history)-1].Withdrawn
}

// Retract makes a run void, or with withdrawn gives it its standing back, with an
// entry in the trail. Nothing of the run changes but the standing it is listed by.
func (a *Archive) Retract(id, by, why string, withdrawn bool) (r Retraction, receipt trail.Receipt, err error) {
	raw, err := a.Run(id)
	if err == nil {
		err = a.update(func(tx *bolt.Tx) error {
			r, receipt, err = a.retract(tx, raw.Signed, Retraction{RunID: id, Withdrawn: withdrawn, By: by, Why: why})
			return err
		})
	}
	if err != nil {
		return r, receipt, fault.New(retracting(withdrawn), id, err)
	}
	return r, receipt, nil
}

func retracting(withdrawn bool) string {
	if withdrawn {
		return "reinstate run"
	}
	return "retract run"
}

func (a *Archive) retract(tx *bolt.Tx, s record.Signed, r Retraction) (Retraction, trail.Receipt, error) {
	history, err := retractionsOf(tx, r.RunID)
	switch {
	case err != nil:
		return r, trail.Receipt{}, err
	case r.Withdrawn && !InForce(history):
		return r, trail.Receipt{}, fmt.Errorf("%w: it is not retracted", ErrRetracted)
	case !r.Withdrawn && InForce(history):
		last := history[len(history)-1]
		return r, trail.Receipt{}, fmt.Errorf("%w: it is retracted already, by %s: %s", ErrRetracted, last.By, last.Why)
	}
	if r.Judged, err = a.restand(tx, r.RunID, history, r.Withdrawn); err != nil {
		return r, trail.Receipt{}, err
	}
	kind := trail.KindRetraction
	if r.Withdrawn {
		kind = trail.KindReinstatement
	}
	receipt, err := a.enter(tx, kind, s.SHA256(), len(s.Bytes), r.RunID, r.By, r.Why)
	if err != nil {
		return r, receipt, err
	}
	e, err := trail.ParseEntry(receipt.Leaf)
	if err != nil {
		return r, receipt, err
	}
	r.At, r.Index = e.At, receipt.Index
	return r, receipt, putJSON(tx.Bucket(bRetractions), under(number(r.Index), r.RunID), r)
}

// restand lists a run under its new standing and returns the one of its judgement.
func (a *Archive) restand(tx *bolt.Tx, id string, history []Retraction, withdrawn bool) (judged string, err error) {
	run, err := a.runIn(tx, id)
	if err != nil {
		return "", err
	}
	at := run.Get([]byte("at"))
	l, err := labelsOf(tx.Bucket(bByTime).Get(at))
	if err != nil {
		return "", err
	}
	judged = l.Standing
	if len(history) > 0 {
		judged = history[0].Judged
	}
	if l.Standing = Retracted; withdrawn {
		l.Standing = judged
	}
	for _, row := range l.rows(bytes.Clone(at)) {
		if err := tx.Bucket(row.bucket).Put(row.key, row.value); err != nil {
			return "", err
		}
	}
	var r Rig
	b := tx.Bucket(bRigs)
	if err := json.Unmarshal(b.Get([]byte(l.Rig)), &r); err != nil {
		return "", fmt.Errorf("rig %s: %w", l.Rig, err)
	}
	if r.LastRun != id {
		return judged, nil
	}
	r.LastStanding = l.Standing
	return judged, putJSON(b, []byte(l.Rig), r)
}

// enter adds one entry to the trail and signs the head over it.
func (a *Archive) enter(tx *bolt.Tx, kind trail.Kind, sum trail.Digest, length int, subject, actor, text string) (trail.Receipt, error) {
	head, err := a.head(tx)
	if err != nil {
		return trail.Receipt{}, err
	}
	leaf, err := a.entry(kind, sum, length, subject, actor, text)
	if err != nil {
		return trail.Receipt{}, err
	}
	index, head, err := a.grow(tx, head, leaf)
	if err != nil {
		return trail.Receipt{}, err
	}
	signed, err := a.sign(tx, head)
	if err != nil {
		return trail.Receipt{}, err
	}
	return trail.Issue(leaf, index, head, signed, hashReader{tx})
}

// retractionsOf gives a run's retractions, oldest first.
func retractionsOf(tx *bolt.Tx, id string) (history []Retraction, err error) {
	b := tx.Bucket(bRetractions)
	if b == nil {
		return nil, nil
	}
	prefix := under(nil, id)
	c := b.Cursor()
	for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		var r Retraction
		if err := json.Unmarshal(v, &r); err != nil {
			return nil, fmt.Errorf("retraction of run %s: %w", id, err)
		}
		history = append(history, r)
	}
	return history, nil
}
