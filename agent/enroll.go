package main

import (
	"context"
	"errors"
	"os"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
	"witnessmark/internal/trust"
)

func enrollCommand(s *session) *cobra.Command {
	var token, name string
	cmd := &cobra.Command{
		Use:   "enroll --collector HOST:PORT --token TOKEN",
		Short: "Become a rig of a collector",
		Long: `Become a rig of a collector, with a token that its keeper makes by: collector
token --rig NAME. The rig's key, which also signs its records, is made on this
machine and never leaves it; the collector certifies it under the rig's name.
The token holds the collector's fingerprint, and no other collector gets to see
it. The certificate is renewed whenever the agent is used, before it ends.`,
		Example: "  agent enroll --collector dome.example:7410 --token wmt1_...\n  agent enroll --collector dome.example:7410 --token - < token.txt",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			t, err := screen.Token(cmd.InOrStdin(), token, "a person joins with: collector login", trust.Rig)
			if err != nil {
				return err
			}
			if name != "" {
				t.Name = name // the collector says whom the token is for
			}
			address := s.destination()
			if address == spool.Embedded {
				return screen.Misuse("name it with --collector HOST:PORT", "enroll: it needs to know the collector")
			}
			dir, err := s.path("")
			if err != nil {
				return err
			}
			id, err := collect.Join(cmd.Context(), address, dir, t)
			if err != nil {
				return inState(err)
			}
			if err := screen.Enrolled(s.stdout, id, s.json); err != nil {
				return err
			}
			err = s.meet(cmd.Context(), address)
			if errors.Is(err, audit.ErrAlarm) {
				s.tell(err)
				return screen.Exit(screen.NotProved, err)
			}
			if err != nil {
				screen.Warn(s.stderr, "agent", "its trail was not looked at, which the first run does: "+err.Error())
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&token, "token", "", "the join `TOKEN`, or - to read it from standard input")
	cmd.MarkFlagRequired("token")
	cmd.Flags().StringVar(&name, "rig", "", "refuse a token for another rig than `NAME`")
	s.jsonFlag(cmd)
	return cmd
}

// meetLimit is how long the trail of a collector that was joined is waited for.
const meetLimit = 10 * time.Second

// meet looks at the trail of a collector that was just joined: by a head that has the
// joining in it the rig tells, before its first run, that the trail was put back.
func (s *session) meet(ctx context.Context, address string) error {
	ctx, cancel := context.WithTimeout(ctx, meetLimit)
	defer cancel()
	a, err := s.openAuditor()
	if err != nil {
		return err
	}
	conn, err := s.connect(ctx, address)
	if err != nil {
		return err
	}
	defer conn.Close()
	_, err = a.Meet(ctx, conn, address)
	return err
}

// enrolled says who this rig is with a destination; ok is false where it is
// nobody, as with the embedded archive.
func (s *session) enrolled(destination string) (id trust.Identity, ok bool) {
	dir, err := s.path("")
	if err != nil || destination == spool.Embedded {
		return id, false
	}
	who, err := collect.Who(dir)
	if err != nil {
		return id, false
	}
	return enrol.At(who(), destination)
}

// ownName holds a rig's name against the one it was enrolled under, before an
// afternoon is spent on runs that the collector would refuse.
func (s *session) ownName(destination, name string) error {
	id, ok := s.enrolled(destination)
	if !ok || name == "" || id.Name == name {
		return nil
	}
	return screen.Misuse("leave --rig out and use setups of "+id.Name+", or enrol this machine anew",
		"this machine is rig %s with the collector %s, and not %s", id.Name, destination, name)
}

// asAnalyst gives the folder of whoever is logged in here to ask the collector
// more than a rig may; the rig's own when nobody is.
func (s *session) asAnalyst(dir string) string {
	desk := collect.Desk(dir)
	if _, err := os.Stat(collect.Certificates(desk)); err == nil {
		return desk
	}
	return dir
}
