package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
)

func restoreCommand(d *desk) *cobra.Command {
	var r collect.Restoring
	var heads []string
	var here bool
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup into a folder without an archive",
		Long: `Put a backup into a folder without an archive, where collector serve finds it. It
is checked first, and nothing is overwritten. Put authority.pem of then beside it
where rigs or people had joined, so that they need not join again. A backup of a
copy that collector follow made is one of the collector that was followed.

Rigs remember the last head of the trail that they saw, and so does the folder
itself. A backup that does not have that head would go back behind it: what was
kept since would be lost, and every rig would raise an alarm. That is refused,
unless --behind says so and --why says why, which becomes an entry of the trail.
Then tell the rigs' operators, who accept the alarm with: agent trail accept

Who joined in what is lost has to join again, and who was revoked in it is a
member again until collector revoke says so once more.

With --here instead of FILE the archive that is there goes on, although it was
put back by other means; a collector that finds itself so keeps nothing until
then. Stop it first.`,
		Example: "  collector restore dome-2031-03-02.backup --data /srv/dome/archive --trail-key safe/trail.key\n" +
			"  collector restore --here --behind --why \"the disk was lost; the copy is of the night before\"",
		Args: func(cmd *cobra.Command, args []string) error {
			if here {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.ExactArgs(1)(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				r.File = args[0]
			}
			if err := d.completeRestore(&r, heads); err != nil {
				return err
			}
			return d.restore(cmd.Context(), r)
		},
	}
	f := cmd.Flags()
	f.StringVar(&r.Dir, "data", "", "the collector's folder `DIR` (default: archive in the state folder)")
	f.StringVar(&r.Key, "trail-key", "", "`FILE` of the trail's private key, to be put into the folder")
	f.StringArrayVar(&heads, "head", nil, "`FILE` of a signed head that somebody has seen; may be given more than once")
	f.BoolVar(&here, "here", false, "go on with the archive that is in the folder")
	f.BoolVar(&r.Behind, "behind", false, "go back behind heads that were signed")
	f.StringVar(&r.Why, "why", "", "with --behind: the reason, kept in the trail, as `TEXT`")
	f.StringVar(&r.By, "by", "", "who decides it, as `NAME` (default: the user's name)")
	d.jsonFlag(cmd)
	return cmd
}

// completeRestore checks what was given and adds what was not.
func (d *desk) completeRestore(r *collect.Restoring, heads []string) (err error) {
	if d.collector != "" {
		return screen.Misuse("leave --collector out, and restore where the collector's folder is", "restore: it works on a folder of this machine")
	}
	if r.Behind {
		if err := reason("restore", r.Why); err != nil {
			return err
		}
	} else if r.Why != "" {
		return screen.Misuse("add --behind, or leave it out", "restore: --why says why --behind is needed")
	}
	r.Why = strings.TrimSpace(r.Why)
	if r.By == "" {
		r.By = userName()
	}
	for _, name := range heads {
		b, err := os.ReadFile(name)
		if err != nil {
			return fault.New("read signed head", name, cause(err))
		}
		r.Heads = append(r.Heads, collect.Shown{File: name, Note: b})
	}
	if r.Dir == "" {
		r.Dir, err = d.folder()
	}
	return err
}

// restored is what came of it, as JSON shows it.
type restored struct {
	Folder      string   `json:"folder"`
	Runs        int      `json:"runs"`
	Entries     int64    `json:"entries"` // of the trail, with that of going back
	VerifierKey string   `json:"verifier_key"`
	ReadOnly    bool     `json:"read_only"` // there is no key to go on with
	GivenUp     []string `json:"given_up"`  // signed heads
}

func (d *desk) restore(ctx context.Context, r collect.Restoring) error {
	p := screen.NewProgress(d.stderr, "restore")
	defer p.Done()
	wrong := d.listing()
	got, err := collect.Restore(ctx, r, wrong.add, p.Set)
	p.Done()
	if errors.Is(err, collect.ErrDamaged) {
		return screen.Exit(screen.NotProved, err)
	}
	if err != nil {
		return err
	}
	out := restored{Folder: r.Dir, Runs: got.Runs, Entries: got.Head.Size, VerifierKey: got.VerifierKey, ReadOnly: got.ReadOnly, GivenUp: []string{}}
	if got.Behind != nil {
		out.GivenUp = got.Behind.GivenUp
	}
	if d.json {
		return screen.JSON(d.stdout, out)
	}
	words := fmt.Sprintf("%s: restored, %s of the trail", screen.Clean(r.Dir), screen.Many(int(got.Head.Size), "entry", "entries"))
	if got.Behind != nil {
		words += fmt.Sprintf("; entry %d says that it went back; every rig that saw more raises an alarm until its operator accepts it", got.Behind.Index)
	}
	if got.ReadOnly {
		words += "; it can be asked and checked, and goes on once the trail's key is there (--trail-key)"
	}
	_, err = fmt.Fprintln(d.stdout, words)
	return err
}
