package main

import (
	"context"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

func retractCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "retract RUN --why TEXT",
		Short: "Make a run void, for a reason that is shown with it from then on",
		Long: `Make a run void. Nothing is deleted: the run stays, with the reason shown
wherever it is, and enters no answer any more. The retraction is an entry of the
trail, and so is its withdrawal, with: collector reinstate`,
		Example: "  collector retract k7q2m9xd --why \"the dome's lights were on the same circuit\"",
		Args:    cobra.ExactArgs(1),
	}
	return retracting(d, cmd, func(b answer.Book) retract { return b.Retract })
}

func reinstateCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "reinstate RUN --why TEXT",
		Short:   "Withdraw a run's retraction",
		Long:    "Withdraw a run's retraction. The run has the standing again that it was judged to\nhave; retraction and withdrawal stay in its history and in the trail.",
		Example: "  collector reinstate k7q2m9xd --why \"it was the other rig's circuit\"",
		Args:    cobra.ExactArgs(1),
	}
	return retracting(d, cmd, func(b answer.Book) retract { return b.Reinstate })
}

type retract = func(ctx context.Context, id, by, why string) (answer.Summary, trail.Receipt, error)

// retracting is what both commands have in common.
func retracting(d *desk, cmd *cobra.Command, which func(answer.Book) retract) *cobra.Command {
	var by, why string
	cmd.Flags().StringVar(&why, "why", "", "the reason, kept in the trail, as `TEXT`")
	cmd.Flags().StringVar(&by, "by", "", "who decides it, as `NAME` (default: the user's name)")
	d.jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := reason(cmd.Name(), why); err != nil {
			return err
		}
		if by == "" {
			by = userName()
		}
		return d.decide(cmd.Context(), func(b answer.Book, _ string) error {
			s, receipt, err := which(b)(cmd.Context(), args[0], by, strings.TrimSpace(why))
			if err != nil {
				return err
			}
			return printRetracted(cmd.Context(), d, b, s, receipt)
		})
	}
	return cmd
}

// mostReason is what every entry of the trail has room for: 4,096 bytes, of which
// that of a mark uses some itself.
const mostReason = 4000

// reason refuses a text that the trail would not take.
func reason(command, why string) error {
	switch {
	case strings.TrimSpace(why) == "":
		return screen.Misuse("say why, for whoever asks in a year: --why \"the fan was unplugged\"", "%s: it needs a reason", command)
	case len(why) > mostReason:
		return screen.Misuse("say it in fewer words", "%s: --why has %d bytes, and %d are kept", command, len(why), mostReason)
	case !utf8.ValidString(why):
		return screen.Misuse("use a terminal that writes UTF-8", "%s: --why is not UTF-8", command)
	case strings.ContainsFunc(why, unicode.IsControl):
		return screen.Misuse("say it in one line", "%s: --why has line breaks or other control characters", command)
	}
	return nil
}

func printRetracted(ctx context.Context, d *desk, b answer.Book, s answer.Summary, receipt trail.Receipt) error {
	r := s.Brief()
	r.Receipt = answer.ReceiptOf(receipt)
	if m, _, err := b.Mark(ctx, s.Rig, s.Setup); err == nil && m != nil && m.RunID == s.ID && r.Retracted != nil {
		fmt.Fprintf(d.stderr, "note: it is the mark of %s in setup %s, and stays so until another run is accepted: %s\n",
			screen.Clean(s.Rig), screen.Clean(setupName(s.Setup)), screen.Program("collector")+" mark")
	}
	if d.json {
		return screen.JSON(d.stdout, r)
	}
	words := fmt.Sprintf("run %s is reinstated, %s as it was judged", s.ID, r.Standing)
	if r.Retracted != nil {
		words = fmt.Sprintf("run %s is retracted and void; it was judged %s", s.ID, r.JudgedStanding)
	}
	_, err := fmt.Fprintf(d.stdout, "%s\n%s\n", screen.Clean(words), screen.Receipt(r.Receipt))
	return err
}
