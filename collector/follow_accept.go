package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
)

func followAcceptCommand(d *desk) *cobra.Command {
	var by, why, dir string
	cmd := &cobra.Command{
		Use:   "accept ALARM --why TEXT",
		Short: "Close an alarm over the followed trail that is explained",
		Long: `Close an alarm over the trail that is followed, once that collector's keeper has
explained it, such as a backup that was restored on purpose. The evidence is kept,
with the explanation and who accepted it.

A copy cannot go on with another trail than its own. While the collector still shows
what was refused, the copy is set aside as it is, in a folder of its own that can be
read with --data, and the next collector follow begins a new one, for which the disk
needs room beside it. A collector that has shown the right trail again since is
followed on, and so is one whose trail is the same and has a new key in the place of
a lost one, on a keeper's word or its owner's: accepting is to believe that word.

Stop the collector follow of this folder first.`,
		Example: "  collector follow accept k3x9 --why \"the copy of the night before was restored\" --state /srv/dome-copy",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if err := reason("accept", why); err != nil {
				return err
			}
			if by == "" {
				by = userName()
			}
			if dir == "" {
				var err error
				if dir, err = d.folder(); err != nil {
					return err
				}
			}
			a, err := collect.AcceptSource(dir, args[0], by, strings.TrimSpace(why))
			if err != nil {
				return err
			}
			if d.json {
				return screen.JSON(d.stdout, a)
			}
			after := "the copy goes on"
			if a.Aside != "" {
				after = "the copy is set aside in " + a.Aside + ", and collector follow begins a new one"
			}
			_, err = fmt.Fprintf(d.stdout, "alarm %s of %s is accepted; its evidence stays in %s; %s\n", a.Name, screen.Clean(a.Collector), a.Folder, after)
			return err
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "what explains it, as `TEXT`")
	cmd.Flags().StringVar(&by, "by", "", "who accepts it, as `NAME` (default: the user's name)")
	cmd.Flags().StringVar(&dir, "data", "", "the copy's folder `DIR` (default: archive in the state folder)")
	d.jsonFlag(cmd)
	return cmd
}
