package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// desk is what all commands of one call share.
type desk struct {
	stdout, stderr io.Writer
	now            func() time.Time
	collector      string // --collector
	state          string // --state
	data           string // --data
	json           bool   // --json
}

func (d *desk) jsonFlag(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&d.json, "json", false, "print JSON")
}

func (d *desk) dataFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&d.data, "data", "", "the folder `DIR` of a collector on this machine (default: archive in the state folder)")
}

// folder is the archive's folder.
func (d *desk) folder() (string, error) {
	if d.data != "" {
		return d.data, nil
	}
	dir, err := d.stateFolder()
	return filepath.Join(dir, "archive"), err
}

func (d *desk) stateFolder() (string, error) {
	return collect.StateFolder(cmp.Or(d.state, os.Getenv("WITNESSMARK_STATE")))
}

// member is the folder of who asks.
func (d *desk) member() (string, error) {
	dir, err := d.stateFolder()
	return collect.Desk(dir), err
}

// ask calls f with the book to ask and where it is, which may be a copy.
func (d *desk) ask(ctx context.Context, f func(b answer.Book, where string) error) error {
	return d.turnTo(ctx, d.dialReading, f)
}

// decide is ask for what a collector alone can do.
func (d *desk) decide(ctx context.Context, f func(b answer.Book, where string) error) error {
	return d.turnTo(ctx, d.dial, f)
}

type dialling func(ctx context.Context, address string) (*collect.Connection, error)

func (d *desk) turnTo(ctx context.Context, dial dialling, f func(b answer.Book, where string) error) error {
	conn, err := d.connectBy(ctx, dial)
	var none noArchive
	if errors.As(err, &none) {
		return f(none, string(none))
	}
	if err != nil {
		return err
	}
	err = f(answer.NewClient(conn).At(conn.Where), conn.Where)
	if err == nil && conn.Doubt != nil {
		d.warn(conn.Doubt)
	}
	return errors.Join(err, conn.Close())
}

// address is the collector that was named, "" for none.
func (d *desk) address() string {
	if d.collector == "" && d.data != "" {
		return ""
	}
	return cmp.Or(d.collector, os.Getenv("WITNESSMARK_COLLECTOR"))
}

func (d *desk) connect(ctx context.Context) (*collect.Connection, error) {
	return d.connectBy(ctx, d.dial)
}

func (d *desk) connectBy(ctx context.Context, dial dialling) (*collect.Connection, error) {
	if address := d.address(); address != "" {
		return dial(ctx, address)
	}
	dir, err := d.folder()
	if err != nil {
		return nil, err
	}
	// A question must not make the archive it asks.
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil, noArchive(dir)
	}
	return collect.Embedded(ctx, dir, slog.New(slog.DiscardHandler))
}

// dial connects to a collector as who is logged in here, or else, when it is the
// one of the archive here, as its owner.
func (d *desk) dial(ctx context.Context, address string) (*collect.Connection, error) {
	return d.dialBy(address, func(dir string) (*collect.Connection, error) {
		return collect.DialAs(ctx, address, dir, d.warn)
	})
}

// dialReading is dial that takes copies, and says so.
func (d *desk) dialReading(ctx context.Context, address string) (*collect.Connection, error) {
	return d.dialBy(address, func(dir string) (*collect.Connection, error) {
		return collect.DialReading(ctx, address, dir, d.warn, func(m trust.Member) {
			screen.Warn(d.stderr, "collector", fmt.Sprintf("%s is a copy that %s serves, and may be behind its collector", screen.Clean(address), screen.Clean(m.String())))
		})
	})
}

func (d *desk) warn(err error) { screen.Warn(d.stderr, "collector", err.Error()) }

func (d *desk) dialBy(address string, as func(dir string) (*collect.Connection, error)) (*collect.Connection, error) {
	dir, err := d.member()
	if err != nil {
		return nil, err
	}
	conn, err := as(dir)
	if !errors.Is(err, collect.ErrStranger) {
		return conn, err
	}
	if here, err := d.folder(); err == nil && collect.ServedAt(here) == address {
		return collect.Dial(address, collect.Owner(here))
	}
	return nil, fault.New("connect to collector", address, collect.ErrStranger).
		WithHint("have a keeper make a token with collector token --analyst NAME, then: collector login --collector " + address + " --token TOKEN")
}

// nothing says on stderr that a listing is empty.
func (d *desk) nothing(what, where string) {
	fmt.Fprintf(d.stderr, "no %s in %s\n", what, screen.Clean(where))
}

// noArchive is the book of a folder that is not there, and the error that it
// has nothing to show.
type noArchive string

func (n noArchive) Error() string { return "there is no archive" }

func (n noArchive) missing(what, id string) error {
	return fault.New(what, id, fmt.Errorf("there is no archive in %s", string(n))).
		WithHint("measure a run with: agent run; or name a collector with --collector HOST:PORT")
}

func (n noArchive) State(context.Context) (answer.State, error) { return answer.State{}, nil }

func (n noArchive) Rigs(context.Context) ([]answer.RigSummary, error) { return nil, nil }

func (n noArchive) Runs(context.Context, answer.Query, func(answer.Summary) error) error { return nil }

func (n noArchive) Kept(_ context.Context, from int64, _ func(int64, string) error) (int64, error) {
	return from, nil
}

func (n noArchive) Show(_ context.Context, id string) (answer.Detail, error) {
	return answer.Detail{}, n.missing("show run", id)
}

func (n noArchive) Attachment(_ context.Context, id, _ string) ([]byte, error) {
	return nil, n.missing("read attachment", id)
}

func (n noArchive) AcceptMark(_ context.Context, id, _, _ string) (answer.Mark, trail.Receipt, error) {
	return answer.Mark{}, trail.Receipt{}, n.missing("accept mark", id)
}

func (n noArchive) Retract(_ context.Context, id, _, _ string) (answer.Summary, trail.Receipt, error) {
	return answer.Summary{}, trail.Receipt{}, n.missing("retract run", id)
}

func (n noArchive) Reinstate(_ context.Context, id, _, _ string) (answer.Summary, trail.Receipt, error) {
	return answer.Summary{}, trail.Receipt{}, n.missing("reinstate run", id)
}

func (n noArchive) Rekey(context.Context, string, string) (answer.Rekeyed, trail.Receipt, error) {
	return answer.Rekeyed{}, trail.Receipt{}, n.missing("change key", "")
}

func (n noArchive) Check(context.Context, func(string, string), func(int64, int64)) (answer.Checked, error) {
	return answer.Checked{}, n.missing("check archive", "")
}

func (n noArchive) Backup(context.Context, func(int64, string) (io.Writer, error)) error {
	return n.missing("back up", "")
}

func (n noArchive) Dossier(_ context.Context, id string, _ []byte, _ io.Writer) error {
	return n.missing("make dossier", id)
}

func (n noArchive) FollowFlags(context.Context, *answer.Place, func(answer.Flagged) error) error {
	return n.missing("follow flags", "")
}

func (n noArchive) Mark(context.Context, string, string) (*answer.Mark, rig.Snapshot, error) {
	return nil, rig.Snapshot{}, nil
}
