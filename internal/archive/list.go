package archive

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
)

// Query chooses runs. Empty fields choose all; From is part of the range, Before is not.
type Query struct {
	Rig, Workload, Setup, Standing string
	From, Before                   time.Time
	Limit                          int // 0 for all
}

// Row is one run of a listing.
type Row struct {
	ID      string
	Started time.Time
	Labels  Labels
	Summary []byte
	// Retractions are the run's, oldest first. While one is in force the standing
	// of Labels is Retracted; the summary stays as it was kept.
	Retractions []Retraction
}

// pageRows bounds how many rows one read transaction gives, so that a slow reader
// never keeps pages from being reused.
const pageRows = 256

// Runs calls yield with the chosen runs, newest first, until it returns an
// error or the context ends. It reads in pages, so runs kept meanwhile may or
// may not appear.
func (a *Archive) Runs(ctx context.Context, q Query, yield func(Row) error) error {
	left := q.Limit
	var from []byte
	for {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		rows, next, err := a.page(q, from, left)
		if err != nil {
			return fault.New("list runs", "", err).WithHint(cmp.Or(fault.HintOf(err), CheckHint))
		}
		for _, r := range rows {
			if err := yield(r); err != nil {
				return err
			}
		}
		left -= len(rows)
		if next == nil || (q.Limit > 0 && left <= 0) {
			return nil
		}
		from = next
	}
}

// page reads up to one page below the key from (nil for the newest) and returns
// where to go on, nil at the end.
func (a *Archive) page(q Query, from []byte, left int) (rows []Row, next []byte, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		bucket, prefix := q.index()
		c := tx.Bucket(bucket).Cursor()
		k, v := last(c, prefix, from, q.Before)
		for seen := 0; k != nil && bytes.HasPrefix(k, prefix); k, v = c.Prev() {
			if seen++; len(rows) >= a.pageRows || seen > 16*a.pageRows {
				next = bytes.Clone(k)
				return nil
			}
			r, in, err := readRow(tx, q, k[len(prefix):], v)
			if err != nil {
				return err
			}
			if !q.From.IsZero() && r.Started.Before(q.From) {
				return nil
			}
			if in {
				rows = append(rows, r)
			}
			if q.Limit > 0 && len(rows) >= left {
				return nil
			}
		}
		return nil
	})
	return rows, next, err
}

// index gives the narrowest index for the query and the key prefix in it.
func (q Query) index() (bucket, prefix []byte) {
	switch {
	case q.Workload != "" && q.Rig != "":
		return bByBoth, under(nil, q.Workload, q.Rig)
	case q.Setup != "":
		return bBySetup, under(nil, q.Setup)
	case q.Rig != "":
		return bByRig, under(nil, q.Rig)
	case q.Workload != "":
		return bByWorkload, under(nil, q.Workload)
	}
	return bByTime, nil
}

// last places the cursor on the newest row to look at.
func last(c *bolt.Cursor, prefix, from []byte, before time.Time) (k, v []byte) {
	if from != nil {
		return c.Seek(from) // no row ever goes, so it is still there
	}
	end := bytes.Clone(prefix)
	switch {
	case !before.IsZero():
		end = append(end, stamp(before)...)
	case len(prefix) > 0:
		end[len(end)-1] = 1 // just past the NUL that ends the prefix
	default:
		return c.Last()
	}
	if k, _ = c.Seek(end); k == nil {
		return c.Last()
	}
	return c.Prev()
}

// readRow reads one index row; in is false when the query's other fields leave it out.
func readRow(tx *bolt.Tx, q Query, at, labels []byte) (r Row, in bool, err error) {
	if len(at) < 9 {
		return r, false, fmt.Errorf("index key of %d bytes", len(at))
	}
	r = Row{ID: string(at[8:]), Started: unstamp(at[:8])}
	if r.Labels, err = labelsOf(labels); err != nil || !q.fits(r.Labels) {
		return r, false, err
	}
	r.Summary = bytes.Clone(tx.Bucket(bSummary).Get(at))
	if r.Summary == nil {
		return r, false, fmt.Errorf("run %s has an index row and no summary", r.ID)
	}
	r.Retractions, err = retractionsOf(tx, r.ID)
	return r, true, err
}

func (q Query) fits(l Labels) bool {
	return (q.Rig == "" || q.Rig == l.Rig) && (q.Workload == "" || q.Workload == l.Workload) &&
		(q.Setup == "" || q.Setup == l.Setup) && (q.Standing == "" || q.Standing == l.Standing)
}
