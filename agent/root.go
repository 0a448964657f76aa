package main

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
)

// session is what all commands of one call share.
type session struct {
	stdout, stderr io.Writer
	state          string          // --state
	collector      string          // --collector
	root           string          // --root
	json           bool            // --json
	spoolLimit     screen.Size     // --spool-limit
	told           map[string]bool // alarms that were told of, by name
	demand         *audit.Demand   // of witnesses; nil when none was made
}

func rootCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   screen.Program("agent"),
		Short: "Record timed runs of this machine with its full configuration",
		Long: `Record timed runs of this machine with its full configuration, so that what
has drifted is flagged before it misleads.

It only reads: it never sets a clock, a voltage, a fan or a power limit.

Exits 0 when all is well, 1 when something failed, 2 when it was called wrongly or with a wrong file,
3 when flags were raised (check, and run --strict) or the rig did not settle, 4 when a collector's trail is
not the one that was seen before, 130 when interrupted.`,
		Example: "  agent check --setup heron-rated.toml\n  agent run --workload orrery.toml --setup heron-rated.toml",
		Version: version,
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	f := cmd.PersistentFlags()
	f.StringVar(&s.collector, "collector", "", "deliver to the collector at `HOST:PORT` (or set WITNESSMARK_COLLECTOR); without it, to the archive in the state folder")
	f.StringVar(&s.state, "state", "", "state folder `DIR` (or set WITNESSMARK_STATE)")
	s.spoolLimit = 2 << 30
	f.Var(&s.spoolLimit, "spool-limit", "let the runs that wait take `SIZE`; beyond it the oldest signals are thinned, and when that is not enough no run begins")
	cmd.AddCommand(factsCommand(s), checkCommand(s), runCommand(s), spoolCommand(s), trailCommand(s),
		serveCommand(s), nowCommand(s), settleCommand(s), spanCommand(s), enrollCommand(s), rekeyCommand(s))
	screen.StrictUsage(cmd)
	return cmd
}

func (s *session) rootFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&s.root, "root", "", "read the captured tree in `DIR` (with proc and sys in it), not this machine")
}

func (s *session) jsonFlag(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&s.json, "json", false, "print JSON")
}

// tree opens what facts are read from.
func (s *session) tree() (*probe.Tree, error) {
	if s.root != "" {
		t, err := probe.CapturedTree(s.root)
		if err != nil {
			return nil, fault.New("captured tree", s.root, reason(err)).WithHint("name a folder with proc and sys in it, as agent facts --save makes it")
		}
		return t, nil
	}
	return probe.LiveTree()
}

// path gives a place in the state folder: key.pem, spool, archive.
func (s *session) path(name string) (string, error) {
	dir, err := collect.StateFolder(cmp.Or(s.state, os.Getenv("WITNESSMARK_STATE")))
	return filepath.Join(dir, name), err
}

// destination names where records go, as the spool keeps it.
func (s *session) destination() string {
	return cmp.Or(s.collector, os.Getenv("WITNESSMARK_COLLECTOR"), spool.Embedded)
}

// checkDestination refuses an address that no run could ever be delivered to,
// before an afternoon is spent on measuring.
func (s *session) checkDestination() error {
	if d := s.destination(); d != spool.Embedded {
		return s.checkAddress(d)
	}
	return nil
}

func (s *session) checkAddress(collector string) error {
	dir, err := s.path("")
	if err != nil {
		return err
	}
	who, err := collect.Who(dir)
	if err != nil {
		return err
	}
	conn, err := collect.Dial(collector, who)
	switch {
	case errors.Is(err, collect.ErrStranger):
		return screen.Misuse(toJoin(collector), "%v", err)
	case err != nil:
		return screen.Misuse(fault.HintOf(err), "%v", err)
	}
	return conn.Close()
}

// toJoin is what to do where this rig is nobody.
func toJoin(collector string) string {
	return "have its keeper make a token with collector token --rig NAME, then: agent enroll --collector " + collector + " --token TOKEN"
}

// connect reaches a destination. The embedded archive stays open, and closed to
// other processes, until the connection is closed.
func (s *session) connect(ctx context.Context, destination string) (*collect.Connection, error) {
	return s.connectAs(ctx, destination, func(dir string) string { return dir })
}

// connectAs reaches a destination as the member in what is chosen of the state
// folder.
func (s *session) connectAs(ctx context.Context, destination string, choose func(state string) string) (*collect.Connection, error) {
	if destination != spool.Embedded {
		dir, err := s.path("")
		if err != nil {
			return nil, err
		}
		conn, err := collect.DialAs(ctx, destination, choose(dir), func(err error) { screen.Warn(s.stderr, "agent", err.Error()) })
		if errors.Is(err, collect.ErrStranger) {
			err = fault.New("connect to collector", destination, collect.ErrStranger).WithHint(toJoin(destination))
		}
		return conn, err
	}
	dir, err := s.path("archive")
	if err != nil {
		return nil, err
	}
	return collect.Embedded(ctx, dir, slog.New(slog.DiscardHandler))
}

func (s *session) openSpool() (*spool.Spool, error) {
	dir, err := s.path("spool")
	if err != nil {
		return nil, err
	}
	key, err := s.loadKey()
	if err != nil {
		return nil, err
	}
	sp, err := spool.Open(dir)
	if err != nil {
		return nil, inState(err)
	}
	sp.Limit(spool.Limits{Bytes: int64(s.spoolLimit)}, key)
	return sp, nil
}

// loadKey reads the rig's key, made on first use.
func (s *session) loadKey() (ed25519.PrivateKey, error) {
	path, err := s.path("key.pem")
	if err != nil {
		return nil, err
	}
	key, err := collect.LoadKey(path, true)
	return key, inState(err)
}

// inState adds what to do about a state folder that cannot be written to.
func inState(err error) error {
	if err == nil || fault.HintOf(err) != "" {
		return err
	}
	return stateFault{err}
}

type stateFault struct{ error }

func (f stateFault) Unwrap() error { return f.error }
func (stateFault) Hint() string {
	return "the state folder must take files: name another with --state DIR or WITNESSMARK_STATE"
}
