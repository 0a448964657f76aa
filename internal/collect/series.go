package collect

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// How much of the past an outcome is held against, and how many index rows are
// read to find it. Design choices.
const (
	seriesRuns  = 100
	seriesRows  = 1000 // made before the run
	seriesLater = 4000 // made after it, as it was delivered late
)

// setBack is how far a wall clock may be set back after a mark for runs to be
// still found that were made after it.
const setBack = 25 * time.Hour

var errEnough = errors.New("enough is read")

// past gathers what the rig did before a run with the same workload, version and
// setup: the newest runs that are not void. A mark begins the series anew with the
// run that it accepts, the operator's word that the rig is now as it is. A run
// that was called unlike by the series in force is not part of it: what moved the
// outcome would hide itself.
func (c *Collector) past(ctx context.Context, r *record.Run, st answer.Statistics, label string, m *answer.Mark) (*drift.Series, error) {
	now := answer.Summary{Statistics: st, Results: r.Results}.Outcome("")
	s := &drift.Series{Figure: now.Name, Unit: rig.Unit(now.Unit), Outcome: now.Value}
	if !(now.Value > 0) {
		return nil, nil
	}
	q := archive.Query{Rig: r.Rig, Workload: r.Workload.Name, Setup: label}
	this, since := placeOf(r.Started, r.Clock), place{}
	if m != nil {
		marked, err := c.summary(m.RunID)
		if err != nil {
			return nil, err
		}
		since, q.From = placeOf(marked.Started, marked.Clock), marked.Started.Add(-setBack)
	}
	var earlier []answer.Summary
	rows, later := 0, 0
	err := c.archive.Runs(ctx, q, func(row archive.Row) error {
		e, err := summaryOf(row.Summary, row.Retractions)
		if err != nil {
			return fmt.Errorf("summary of run %s: %w", row.ID, err)
		}
		at := placeOf(e.Started, e.Clock)
		if !at.before(this) {
			if later++; later == seriesLater {
				return errEnough
			}
			return nil
		}
		if belongs(e, r, label, m) && !at.before(since) {
			earlier = append(earlier, e)
		}
		if rows++; len(earlier) == seriesRuns || rows == seriesRows {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	return s, c.sessions(s, earlier, r, now.Name)
}

// place is when a run was made, by both of its rig's clocks.
type place struct {
	started time.Time
	clock   rig.BootClock
}

func placeOf(started time.Time, c *record.Clock) place {
	if c == nil {
		return place{started: started}
	}
	return place{started, c.BootClock}
}

// before says whether p was before o, as far as the two can tell.
func (p place) before(o place) bool {
	both := []place{p, o}
	rig.Straighten(both, func(x *place) (*time.Time, *rig.BootClock) { return &x.started, &x.clock })
	return both[0].started.Before(both[1].started)
}

// belongs says whether an earlier run is of the series.
func belongs(e answer.Summary, r *record.Run, label string, m *answer.Mark) bool {
	if e.Setup != label || e.WorkloadVersion != r.Workload.Version || e.Judgement.Standing == drift.Voided || (e.Played != "") != (r.Played != "") {
		return false
	}
	for _, f := range e.Judgement.Flags {
		if f.Kind == drift.Unlike && f.Weight >= rig.Caution && (m == nil || e.Judgement.At.After(m.At)) {
			return false
		}
	}
	return true
}

// sessions sorts the outcomes by what was started together, those made under facts
// that agree with the run's apart.
func (c *Collector) sessions(s *drift.Series, earlier []answer.Summary, r *record.Run, figure string) error {
	now := r.Before.ConfigurationSHA256()
	type session struct{ alike, all int }
	at := map[string]*session{}
	for _, e := range earlier {
		o := e.Outcome(figure)
		if !(o.Value > 0) || rig.Unit(o.Unit) != s.Unit {
			continue
		}
		key := e.Group
		if key == "" {
			key = e.ID
		}
		in, ok := at[key]
		if !ok {
			in = &session{-1, -1}
			at[key] = in
		}
		alike, err := c.alike(e, now, r.Before)
		if err != nil {
			return err
		}
		if alike {
			s.Alike = appendTo(s.Alike, &in.alike, o.Value)
		}
		s.All = appendTo(s.All, &in.all, o.Value)
	}
	return nil
}

// appendTo adds a value to the list at place i, which begins one when it is -1.
func appendTo(lists [][]float64, i *int, v float64) [][]float64 {
	if *i < 0 {
		*i = len(lists)
		lists = append(lists, nil)
	}
	lists[*i] = append(lists[*i], v)
	return lists
}

// agreements remembers which configurations agree, so that a record is read once
// for each pair of them and not once for each run.
type agreements struct {
	mu   sync.Mutex
	seen map[[2][32]byte]bool
}

const mostAgreements = 4096

func (a *agreements) get(k [2][32]byte) (agree, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	agree, ok = a.seen[k]
	return agree, ok
}

func (a *agreements) put(k [2][32]byte, agree bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen == nil || len(a.seen) >= mostAgreements {
		a.seen = map[[2][32]byte]bool{}
	}
	a.seen[k] = agree
}

// alike says whether an earlier run was made under facts that agree with those in
// force now.
func (c *Collector) alike(e answer.Summary, now [32]byte, facts rig.Snapshot) (bool, error) {
	if e.Configuration == now {
		return true, nil
	}
	k := [2][32]byte{e.Configuration, now}
	if agree, ok := c.agree.get(k); ok {
		return agree, nil
	}
	st, err := c.archive.Run(e.ID)
	if err != nil {
		return false, err
	}
	r, err := record.Decode(st.Signed.Bytes)
	if err != nil {
		return false, fmt.Errorf("run %s: %w", e.ID, err)
	}
	agree := drift.Alike(r.Before, facts)
	c.agree.put(k, agree)
	return agree, nil
}

func (c *Collector) summary(id string) (answer.Summary, error) {
	st, err := c.archive.Run(id)
	if err != nil {
		return answer.Summary{}, err
	}
	return summaryOf(st.Summary, st.Retractions)
}
