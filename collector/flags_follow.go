package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
)

// onward is the flags of flags --follow.
type onward struct {
	follow bool
	after  string
}

func (o *onward) flags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.follow, "follow", false, "print flags as they are found, of runs and of rigs as they are now, until Ctrl-C")
	cmd.Flags().StringVar(&o.after, "after", "", "with --follow, go on after `PLACE`, as --json names it, instead of from now on")
}

// check refuses what does not go together.
func (o *onward) check(cmd *cobra.Command) error {
	if !o.follow {
		if o.after != "" {
			return screen.Misuse("add --follow", "--after is of --follow")
		}
		return nil
	}
	for _, name := range []string{"since", "until", "standing"} {
		if cmd.Flags().Changed(name) {
			return screen.Misuse("leave it out; --after PLACE goes on where an earlier --follow ended", "--%s chooses among what is there, and --follow waits for what comes", name)
		}
	}
	return nil
}

// patience is how long a follower waits before it tries again, at first and at
// most.
const (
	patience     = 200 * time.Millisecond
	mostPatience = 5 * time.Second
)

// followFlags prints what is flagged until the context ends, over connections
// that break, each flag once.
func followFlags(ctx context.Context, d *desk, o onward, q answer.Query, w wanted) error {
	var at *answer.Place
	if o.after != "" {
		p, err := answer.ParsePlace(o.after)
		if err != nil {
			return screen.Misuse("take it from the field place of a line that --follow --json printed", "--after: %v", err)
		}
		at = &p
	}
	broken, wait := false, patience
	for first := true; ; first = false {
		err := d.followOnce(ctx, at, first, func(where string, f answer.Flagged) error {
			if broken {
				screen.Warn(d.stderr, "collector", where+" answers again; nothing was missed")
			} else if at == nil {
				fmt.Fprintf(d.stderr, "following the flags of %s; Ctrl-C ends\n", screen.Clean(where))
			}
			broken, wait = false, patience
			err := d.tell(f, q, &w)
			at = &f.Next
			return err
		})
		switch {
		case ctx.Err() != nil:
			return nil // which is how it is meant to end
		case errors.Is(err, errEnough):
			return nil
		case first && at == nil, !errors.Is(err, answer.ErrUnreachable):
			return err
		case !broken:
			screen.Warn(d.stderr, "collector", err.Error()+"; trying again")
		}
		broken = true
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, mostPatience)
	}
}

// followOnce follows for as long as one connection holds.
func (d *desk) followOnce(ctx context.Context, at *answer.Place, first bool, yield func(where string, f answer.Flagged) error) error {
	conn, err := d.served(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	return answer.NewClient(conn).At(conn.Where).FollowFlags(ctx, at, func(f answer.Flagged) error { return yield(conn.Where, f) })
}

// served connects to a collector that is served: an archive that this command
// opened itself would keep everybody else out, and nothing would ever come.
func (d *desk) served(ctx context.Context) (*collect.Connection, error) {
	if d.address() != "" {
		return d.connectBy(ctx, d.dialReading)
	}
	dir, err := d.folder()
	if err != nil {
		return nil, err
	}
	return collect.Served(ctx, dir)
}

// tell prints what is wanted of it.
func (d *desk) tell(f answer.Flagged, q answer.Query, w *wanted) error {
	for _, n := range f.News() {
		if r := n.FlagRow; r != nil && (!w.fits(r.Flag) || q.Rig != "" && r.Rig != q.Rig || q.Setup != "" && r.Setup != q.Setup || q.Workload != "" && r.Workload != q.Workload) {
			continue
		}
		line := newsLine(n)
		if d.json {
			b, err := json.Marshal(n)
			if err != nil {
				return err
			}
			line = string(b)
		}
		if _, err := fmt.Fprintln(d.stdout, line); err != nil {
			return err
		}
		if w.limit--; w.limit == 0 {
			return errEnough
		}
	}
	return nil
}

// newsLine is one flag on one line: when it was found, what it weighs, what it
// is, and of what.
func newsLine(n answer.FlagNews) string {
	if n.FlagRow == nil {
		return fmt.Sprintf("%d flags on what rigs are now came and are no longer kept; see them with: %s", n.Missed, n.Look)
	}
	of := "now"
	if n.Of == "run" {
		of = fmt.Sprintf("run %s of %s", short(n.Run), n.Workload)
	}
	if n.Played != "" {
		of += ", played"
	}
	return screen.Clean(fmt.Sprintf("%s  %-7s  %s %s: %s%s; %s, %s, setup %s; %s", screen.At(n.Found), n.Weight, n.Kind, n.Fact,
		screen.Value(n.Seen, n.Unit), expected(n), n.Rig, of, setupName(n.Setup), n.Evidence))
}

func expected(n answer.FlagNews) string {
	if v := screen.Value(n.Expected, n.Unit); strings.TrimSpace(v) != "" {
		return ", expected " + v
	}
	return ""
}
