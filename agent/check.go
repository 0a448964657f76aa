package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
)

func checkCommand(s *session) *cobra.Command {
	var file, name string
	var window time.Duration
	cmd := &cobra.Command{
		Use:   "check --setup FILE",
		Short: "Hold the machine against a setup before spending time on runs",
		Long: `Hold the machine against a declared setup, against what its parts are rated
for, and against the accepted mark of this rig and setup, if there is one.

Exits 3 when a flag weighs caution or void, 1 when none does but the collector
that keeps the mark could not be asked.`,
		Example: "  agent check --setup heron-rated.toml\n  agent check --setup heron-rated.toml --root heron-today --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if window < 0 {
				return screen.Misuse("0 does not watch", "--idle-window %v: it takes a time of 0 or more", window)
			}
			if err := s.checkDestination(); err != nil {
				return err
			}
			set, err := loadSetup(file)
			if err != nil {
				return err
			}
			tree, err := s.tree()
			if err != nil {
				return err
			}
			defer tree.Close()
			name, err := s.rigName(s.destination(), name, set, tree)
			if err != nil && !errors.Is(err, errNameless) {
				return err // a rig without a name can be held against its setup all the same
			}
			return s.check(cmd.Context(), set, tree, name, window)
		},
	}
	s.rootFlag(cmd)
	s.jsonFlag(cmd)
	cmd.Flags().StringVar(&file, "setup", "", "`FILE` that declares the state of the rig")
	cmd.MarkFlagRequired("setup")
	cmd.Flags().StringVar(&name, "rig", "", "the rig's `NAME` (default: the setup's, else the host name)")
	cmd.Flags().DurationVar(&window, "idle-window", time.Second, "watch for `TIME` how idle the machine is; 0 does not watch")
	return cmd
}

func (s *session) check(ctx context.Context, set *setup.Setup, tree *probe.Tree, name string, window time.Duration) error {
	snap := probe.Snapshot(ctx, tree, probe.Options{Window: window})
	if err := ctx.Err(); err != nil {
		return err
	}
	var mark *drift.Mark
	var unasked error
	if name != "" {
		mark, unasked = s.mark(ctx, name, set)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	j := drift.Judge(drift.Input{Rig: name, Before: snap, Setup: set, Mark: mark})
	if err := s.printCheck(j, name, set, unasked); err != nil {
		return err
	}
	if j.Standing != drift.Clean {
		if unasked != nil {
			screen.Fail(s.stderr, "agent", unasked)
		}
		return screen.Exit(screen.Flagged, nil)
	}
	return unasked
}

// printCheck prints the judgement; unasked is why the mark is not known, if it
// is not.
func (s *session) printCheck(j drift.Judgement, name string, set *setup.Setup, unasked error) error {
	if s.json {
		if j.Flags == nil {
			j.Flags = []drift.Flag{}
		}
		why := ""
		if unasked != nil {
			why = unasked.Error()
		}
		return screen.JSON(s.stdout, struct {
			Rig      string         `json:"rig"`
			Setup    string         `json:"setup"`
			MarkRun  string         `json:"mark_run,omitempty"`
			Unasked  string         `json:"mark_unasked,omitempty"` // why the mark is not known
			Standing drift.Standing `json:"standing"`
			Flags    []drift.Flag   `json:"flags"`
		}{name, set.Label, j.MarkRun, why, j.Standing, j.Flags})
	}
	held := "no mark is accepted for it yet"
	switch {
	case name == "":
		name, held = "the machine", "no mark was looked for: it has no name, which --rig would give it"
	case unasked != nil:
		held = "whether a mark is accepted for it could not be asked"
	case j.MarkRun != "":
		held = "mark: run " + j.MarkRun
	}
	if _, err := fmt.Fprintf(s.stdout, "%s in setup %s: %s (%s)\n", screen.Clean(name), screen.Clean(set.Label), j.Standing, held); err != nil {
		return err
	}
	return screen.Flags(s.stdout, j.Flags)
}

// mark asks for the accepted mark; a rig without an archive has none.
func (s *session) mark(ctx context.Context, name string, set *setup.Setup) (*drift.Mark, error) {
	label := ""
	if set != nil {
		label = set.Label
	}
	if s.destination() == spool.Embedded {
		dir, err := s.path("archive")
		if err != nil {
			return nil, err
		}
		if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
			return nil, nil
		}
	}
	conn, err := s.connect(ctx, s.destination())
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	m, snap, err := answer.NewClient(conn).At(conn.Where).Mark(ctx, name, label)
	if err != nil || m == nil {
		return nil, err
	}
	return &drift.Mark{RunID: m.RunID, Snapshot: snap}, nil
}

// loadSetup reads a setup file whose facts the catalogue knows.
func loadSetup(file string) (*setup.Setup, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, screen.Wrong(fault.New("setup file", file, reason(err)).WithHint("name an existing file with --setup"))
	}
	set, err := drift.ReadSetup(file, data)
	return set, screen.Wrong(err)
}

// reason drops the path that an *fs.PathError repeats.
func reason(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// rigName settles what the rig is called.
func (s *session) rigName(destination, flag string, set *setup.Setup, tree *probe.Tree) (string, error) {
	id, member := s.enrolled(destination)
	switch {
	case set != nil && set.Rig != "" && flag != "" && flag != set.Rig:
		return "", screen.Misuse("leave --rig out, or use the setup of that rig", "--rig %s: the setup %s is for rig %s", flag, set.File, set.Rig)
	case flag != "":
		return flag, s.ownName(destination, flag)
	case set != nil && set.Rig != "":
		return set.Rig, s.ownName(destination, set.Rig)
	case member:
		return id.Name, nil
	}
	if tree.Live() {
		if h, err := os.Hostname(); err == nil && h != "" {
			return h, nil
		}
	}
	if h, err := tree.Text("proc/sys/kernel/hostname"); err == nil && h != "" {
		return h, nil
	}
	return "", errNameless
}

var errNameless = screen.Misuse("give it a name with --rig NAME", "the rig has no name: neither --rig nor the setup nor the machine gives one")
