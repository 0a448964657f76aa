package audit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// MostWitnesses is how many one may demand: a collector keeps the heads of no more.
const MostWitnesses = 16

// Demand says that witnesses must have signed a trail with a record in it before
// its receipt is final. The zero value demands nothing.
type Demand struct {
	Witnesses []trail.Witness
	Need      int           // so many of them must have
	Within    time.Duration // after so long those that have not are overdue
}

// NewDemand reads the keys of witnesses; need 0 stands for all of them.
func NewDemand(keys []string, need int, within time.Duration) (Demand, error) {
	d := Demand{Need: need, Within: within}
	for _, k := range keys {
		w, err := trail.ParseWitness(k)
		if err == nil && slices.ContainsFunc(d.Witnesses, func(o trail.Witness) bool { return o.Key() == k }) {
			err = errors.New("the key stands there twice")
		}
		if err != nil {
			return Demand{}, fault.New("demand witnesses", k, err).WithHint("give the key as collector follow tells it when it starts")
		}
		d.Witnesses = append(d.Witnesses, w)
	}
	if len(d.Witnesses) > MostWitnesses {
		return Demand{}, fault.New("demand witnesses", "", fmt.Errorf("%d keys; a collector keeps what %d witnesses sign", len(d.Witnesses), MostWitnesses)).
			WithHint("name those that are to be relied on")
	}
	if need == 0 {
		d.Need = len(d.Witnesses)
	}
	if d.Need > len(d.Witnesses) || d.Need < 0 {
		return Demand{}, fault.New("demand witnesses", "", fmt.Errorf("%d of %d keys cannot sign", d.Need, len(d.Witnesses))).
			WithHint("name at least as many witnesses as must have signed")
	}
	return d, nil
}

// Keys gives the witnesses' keys as text.
func (d Demand) Keys() (out []string) {
	for _, w := range d.Witnesses {
		out = append(out, w.Key())
	}
	return out
}

// Witnessed is how far a witness has come.
type Witnessed struct {
	Key    string    `json:"key"`
	Size   int64     `json:"size"`   // entries of the largest head that it has signed; 0 for none
	Signed time.Time `json:"signed"` // when, by its own clock; zero for never
}

// name is what people call a witness.
func (w Witnessed) name() string { return w.Key[:max(0, strings.IndexByte(w.Key, '+'))] }

func (w Witnessed) String() string {
	if w.Size == 0 {
		return w.name() + " (has signed none)"
	}
	return fmt.Sprintf("%s (signed %d entries on %s)", w.name(), w.Size, w.Signed.UTC().Format(time.DateTime))
}

// Coverage is how far the demanded witnesses have come.
type Coverage struct {
	Size      int64       // entries that as many as are needed have signed
	Witnesses []Witnessed // in the demand's order
}

// heed holds the heads that witnesses signed against the collector's present one:
// that both are signed and do not belong together proves a fork.
func (t *Trail) heed(ctx context.Context, x deliver.Extended, now shown) error {
	last, _ := t.known()
	last = now.at(last)
	var cosigned [][]byte
	for _, c := range x.Cosigned {
		h, err := trail.OpenHead(c.Head, now.line)
		if err != nil {
			continue // not signed by this collector: it proves nothing
		}
		if err := trail.CheckConsistency(h, now.Head, c.Consistency); err != nil {
			last.Head, last.Seen = string(c.Head), time.Time{}
			if err := t.doubt(ctx, last, now, err); err != nil {
				return err
			}
		}
		cosigned = append(cosigned, c.Head)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.met, t.size, t.cosigned = t.auditor.now().UTC(), now.Size, cosigned
	return nil
}

// Met tells when the trail was met, and its size then.
func (t *Trail) Met() (at time.Time, size int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.met, t.size
}

// Covers tells how far the witnesses had signed the trail when it was met.
func (t *Trail) Covers(d Demand) Coverage {
	c := Coverage{}
	t.mu.Lock()
	own, cosigned := t.line, t.cosigned
	t.mu.Unlock()
	var sizes []int64
	for _, w := range d.Witnesses {
		best := Witnessed{Key: w.Key()}
		for _, signed := range cosigned {
			if h, at, err := trail.OpenWitnessedBy(signed, own, w); err == nil && h.Size > best.Size {
				best.Size, best.Signed = h.Size, at
			}
		}
		c.Witnesses, sizes = append(c.Witnesses, best), append(sizes, best.Size)
	}
	slices.SortFunc(sizes, func(a, b int64) int { return cmp.Compare(b, a) })
	if c.Size = math.MaxInt64; d.Need > 0 {
		c.Size = sizes[d.Need-1]
	}
	return c
}

// NoteWitnesses remembers how far witnesses have come, to be shown.
func (t *Trail) NoteWitnesses(ws []Witnessed) error {
	free, err := t.auditor.alone()
	if err != nil {
		return err
	}
	defer free()
	last, _ := t.known()
	m, err := t.auditor.recall(last.Collector)
	if err == nil && m.Key == last.Key && !slices.Equal(m.Witnessed, ws) {
		m.Witnessed = ws
		err = t.auditor.remember(m)
	}
	if err != nil {
		return fault.New("remember trail", last.Collector, err)
	}
	return nil
}

// ErrUnwitnessed is returned for a record that the collector has kept and too few
// witnesses have signed yet.
var ErrUnwitnessed = errors.New("too few witnesses have signed it")

// Unwitnessed says for what a kept record waits.
type Unwitnessed struct {
	Index      int64 // its entry
	Need       int
	Behind     []Witnessed // who have not signed it
	Of         int         // who are asked
	Since, Now time.Time
	Within     time.Duration
}

// Unwitnessed says what the entry waits for; false when it is covered.
func (c Coverage) Unwitnessed(index int64, d Demand, since, now time.Time) (Unwitnessed, bool) {
	u := Unwitnessed{Index: index, Need: d.Need, Of: len(d.Witnesses), Since: since, Now: now, Within: d.Within}
	for _, w := range c.Witnesses {
		if w.Size <= index {
			u.Behind = append(u.Behind, w)
		}
	}
	return u, index >= c.Size
}

// Overdue says whether it waits longer than was demanded.
func (u Unwitnessed) Overdue() bool { return u.Now.Sub(u.Since) > u.Within }

func (u Unwitnessed) Error() string {
	var names []string
	for _, w := range u.Behind {
		names = append(names, w.String())
	}
	late := ""
	if u.Overdue() {
		late = fmt.Sprintf(" since %s, more than %v,", u.Since.UTC().Format(time.DateTime), u.Within)
	}
	return fmt.Sprintf("kept as entry %d, and waits%s for %d of %d witnesses; behind are %s", u.Index, late, u.Need, u.Of, strings.Join(names, ", "))
}

// Unwrap gives ErrUnwitnessed.
func (u Unwitnessed) Unwrap() error { return ErrUnwitnessed }

// Hint says what to do.
func (u Unwitnessed) Hint() string {
	if u.Overdue() {
		return "have whoever keeps those witnesses see whether they still follow the collector; the run stays in the spool until enough have signed; for a witness that is gone for good name others: agent spool send --witness KEY"
	}
	return "the run stays in the spool until enough have signed, which is looked at with the next run, or by: agent spool send"
}
