package main

import (
	"context"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
	"witnessmark/internal/trust"
)

func loginCommand(d *desk) *cobra.Command {
	var token string
	var rekey bool
	cmd := &cobra.Command{
		Use:   "login --collector HOST:PORT --token TOKEN | --rekey",
		Short: "Become an analyst, a keeper or a witness of a collector",
		Long: `Become an analyst, a keeper or a witness of a collector, with a token that one of
its keepers makes by: collector token. Your key is made on this machine and never
leaves it. The certificate is renewed whenever you ask something, before it ends.

With --rekey another key takes the place of yours: the present one signs that the
other comes after it, and every collector that you are logged in at admits it. The
present one is good for nothing there from then on. While one of them does not answer
the command may be given again. A key that somebody else may have is better revoked:
collector token --lost`,
		Example: "  collector login --collector dome.example:7410 --token wmt1_...\n  collector login --collector dome.example:7410 --token - < token.txt\n  collector login --rekey",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if rekey {
				return d.rekeyMember(cmd.Context())
			}
			t, err := screen.Token(cmd.InOrStdin(), token, "a rig joins with: agent enroll", trust.Analyst, trust.Keeper, trust.Witness)
			if err != nil {
				return err
			}
			address := d.address()
			if address == "" {
				return screen.Misuse("name it with --collector HOST:PORT", "login: it needs to know the collector")
			}
			dir, err := d.member()
			if err != nil {
				return err
			}
			id, err := collect.Join(cmd.Context(), address, dir, t)
			if err != nil {
				return err
			}
			return screen.Enrolled(d.stdout, id, d.json)
		},
	}
	cmd.Flags().StringVar(&token, "token", "", "the join `TOKEN`, or - to read it from standard input")
	cmd.Flags().BoolVar(&rekey, "rekey", false, "put another key in the place of yours")
	cmd.MarkFlagsOneRequired("token", "rekey")
	cmd.MarkFlagsMutuallyExclusive("token", "rekey")
	d.jsonFlag(cmd)
	return cmd
}

// rekeyMember puts another key in the place of who is logged in here.
func (d *desk) rekeyMember(ctx context.Context) error {
	if d.collector != "" {
		return screen.Misuse("leave --collector out", "login: --rekey asks every collector that you are logged in at")
	}
	dir, err := d.member()
	if err != nil {
		return err
	}
	ids, err := collect.RotateKey(ctx, dir)
	if err != nil {
		return err
	}
	return screen.Rekeyed(d.stdout, ids, d.json)
}
