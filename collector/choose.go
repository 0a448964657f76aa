package main

import (
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/screen"
)

// choice is the flags that choose runs.
type choice struct {
	query        answer.Query
	since, until string
}

func (c *choice) flags(cmd *cobra.Command, limit string) {
	f := cmd.Flags()
	f.StringVar(&c.query.Rig, "rig", "", "runs of the rig `NAME`")
	f.StringVar(&c.query.Workload, "workload", "", "runs of the workload `NAME`")
	f.StringVar(&c.query.Setup, "setup", "", "runs declared in the setup `LABEL`")
	f.StringVar(&c.query.Standing, "standing", "", "runs whose standing is `WORD`: clean, caution or void")
	f.StringVar(&c.since, "since", "", "runs started at or after `TIME`: 7d, 12h, 2031-03-02, 2031-03-02T09:00:00Z")
	f.StringVar(&c.until, "until", "", "runs started before `TIME`; a date counts to its end")
	f.IntVar(&c.query.Limit, "limit", 0, limit+" (0: all)")
}

// resolve checks the flags and works out the times.
func (c *choice) resolve(now time.Time) (answer.Query, error) {
	q := c.query
	if err := oneOf("--standing", q.Standing, string(drift.Clean), string(drift.Careful), string(drift.Voided)); err != nil {
		return q, err
	}
	if q.Limit < 0 {
		return q, screen.Misuse("give a number of 1 or more, or 0 for all", "--limit %d: it is below zero", q.Limit)
	}
	var err error
	if q.From, err = moment("--since", c.since, now, false); err != nil {
		return q, err
	}
	if q.Before, err = moment("--until", c.until, now, true); err != nil {
		return q, err
	}
	if !q.From.IsZero() && !q.Before.IsZero() && !q.From.Before(q.Before) {
		return q, screen.Misuse("exchange the two", "--since %s is not before --until %s", c.since, c.until)
	}
	return q, nil
}

// oneOf refuses a word that is none of those known; "" is fine.
func oneOf(flag, word string, known ...string) error {
	if word == "" || slices.Contains(known, word) {
		return nil
	}
	last := len(known) - 1
	return screen.Misuse("it is "+strings.Join(known[:last], ", ")+" or "+known[last], "%s %s: not known", flag, word)
}
