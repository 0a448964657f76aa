package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/trust"
)

func rekeyCommand(d *desk) *cobra.Command {
	var by, why string
	var lost bool
	cmd := &cobra.Command{
		Use:   "rekey --why TEXT",
		Short: "Have the trail signed with a new key from now on",
		Long: `Have the trail signed with a new key from now on. The old key signs which key
follows it, and that is an entry of the trail: rigs, followers and dossiers that
know the old key walk on to the new one by themselves, and what it has signed
goes on verifying. The old key is removed from the collector's folder. A copy of
it that is kept apart is still good for backups of before; make a new one now.

With --lost the old key signs nothing, because nobody has it any more. Stop the
collector, and give your word in its folder: as a keeper, when you are logged in as
one of this collector, or else as the folder's owner. Every rig raises an alarm
with that word in it, until its operator accepts it with: agent trail accept`,
		Example: "  collector rekey --why \"a year is over\"\n" +
			"  collector rekey --lost --why \"the disk with the key is gone\" --data /srv/dome/archive",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := reason("rekey", why); err != nil {
				return err
			}
			if by == "" {
				by = userName()
			}
			if lost {
				return d.vouch(by, strings.TrimSpace(why))
			}
			return d.decide(cmd.Context(), func(b answer.Book, _ string) error { return d.rekey(cmd.Context(), b, by, strings.TrimSpace(why)) })
		},
	}
	f := cmd.Flags()
	f.StringVar(&why, "why", "", "the reason, kept in the trail, as `TEXT`")
	f.StringVar(&by, "by", "", "who decides it, as `NAME` (default: the user's name)")
	f.BoolVar(&lost, "lost", false, "the old key is lost and cannot sign")
	d.dataFlag(cmd)
	d.jsonFlag(cmd)
	return cmd
}

func (d *desk) rekey(ctx context.Context, b answer.Book, by, why string) error {
	r, _, err := b.Rekey(ctx, by, why)
	if err != nil {
		return err
	}
	return d.printRekeyed(r)
}

// vouch changes a key that is lost, in the collector's folder.
func (d *desk) vouch(by, why string) error {
	if d.collector != "" {
		return screen.Misuse("leave --collector out, and give your word where the collector's folder is", "rekey: --lost works on a folder of this machine")
	}
	v := collect.Vouching{By: by, Why: why}
	var err error
	if v.Dir, err = d.folder(); err != nil {
		return err
	}
	keepers, err := d.keepers(v.Dir)
	if err != nil {
		return err
	}
	if len(keepers) > 1 {
		return fault.New("change key", v.Dir, fmt.Errorf("you are a keeper of it under %d names", len(keepers))).
			WithHint("name a state folder with one of them: --state DIR")
	}
	if len(keepers) == 1 {
		v.Keeper = &keepers[0]
	}
	r, err := collect.Vouch(v)
	if err != nil {
		return err
	}
	return d.printRekeyed(r)
}

// keepers gives those as whom the user is logged in at the collector of a folder.
func (d *desk) keepers(dir string) (out []trust.Identity, err error) {
	member, err := d.member()
	if err != nil {
		return nil, err
	}
	who, err := collect.Who(member)
	if err != nil {
		return nil, err
	}
	for _, id := range who() {
		if id.Role != trust.Keeper {
			continue
		}
		switch ok, err := collect.KeeperOf(dir, id); {
		case err != nil:
			return nil, err
		case ok:
			out = append(out, id)
		}
	}
	return out, nil
}

func (d *desk) printRekeyed(r answer.Rekeyed) error {
	if d.json {
		return screen.JSON(d.stdout, r)
	}
	words := fmt.Sprintf("the trail is signed with %s from entry %d on; before with %s", r.New, r.Index, r.Old)
	if r.Word != "" {
		words += fmt.Sprintf(", which is lost: that is on the word of %s, and every rig raises an alarm until its operator accepts it", r.Word)
	}
	_, err := fmt.Fprintf(d.stdout, "%s\nnote the new key, copy trail.key to where you keep it, and make a backup\n", screen.Clean(words))
	return err
}
