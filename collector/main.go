// Command collector keeps the records that rigs deliver, and answers the
// analyst's questions about them.
//
//	collector serve                        take deliveries and answer questions
//	collector token --rig heron            let a rig join; --analyst, --keeper a person
//	collector login --token TOKEN          join, as an analyst or a keeper
//	collector members                      who is a member
//	collector revoke heron --why TEXT      end a membership
//	collector follow HOST:PORT             copy another collector, as a witness of its trail
//	collector rigs                         the rigs, their last runs and marks
//	collector runs --rig heron --since 7d  runs, newest first
//	collector show k7q2m9xd                one run: configuration, flags, statistics
//	collector show k7q2m9xd --log          its timing log, byte for byte
//	collector flags --weight caution       what drifted, over many runs
//	collector flags --follow               the same as it is found
//	collector mark k7q2m9xd --why TEXT     hold its rig's next runs against it
//	collector retract k7q2m9xd --why TEXT  make a run void, with the reason
//	collector report SELECTION SELECTION -o report.html
//	                                       one page with verdicts, figures and receipts
//	collector scaling --workload orrery --factors memory.speed,cpu.clock
//	                                       what limits a workload
//	collector history --workload orrery --rig heron
//	                                       a series over time, its changes and their causes
//	collector comparable --to k7q2m9xd     which runs may still stand beside one
//	collector check                        is everything that is kept as it was?
//	collector backup -o dome.backup        copy the archive while it is served
//	collector restore dome.backup          put a copy where there is none
//	collector dossier k7q2m9xd -o FILE     one file that proves a run
//	collector verify FILE                  check such a file, offline
//	collector coverage PLAN.toml --next    what is left to run, and what is next
//
// Questions go to the archive in the user's state folder, where agent run keeps
// what it measures, or with --collector HOST:PORT to a served collector. --json
// prints the same as JSON. A run is named by its id or the letters after the
// id's last dash, as listings show them.
//
// Exit codes: 0 fine, 1 failed, 2 wrong usage, or a wrong file of serve, 3 a plan is not complete, 4 not
// proved (check, backup, restore, follow), 130 interrupted.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/screen"
)

// version is set when a release is linked.
var version = "0.1.0"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the command without its process: it parses, wires and waits.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	cmd := rootCommand(&desk{stdout: stdout, stderr: stderr, now: time.Now})
	cmd.SetArgs(args)
	cmd.SetIn(stdin)
	cmd.SetOut(stdout)
	cmd.SetErr(stderr)
	return screen.Fail(stderr, cmd.Name(), cmd.ExecuteContext(ctx))
}

func rootCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:   screen.Program("collector"),
		Short: "Keep the records that rigs deliver, and answer questions about them",
		Long: `Keep the records that rigs deliver, and answer questions about them.

Exits 0 when all is well, 1 when something failed, 2 when it was called wrongly or with a wrong file,
3 when a plan is not complete (coverage), 4 when something is not proved (verify, dossier, check,
backup, restore, follow), 130 when interrupted.`,
		Example: "  collector runs --rig heron --since 7d\n  collector show k7q2m9xd",
		Version: version,
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	f := cmd.PersistentFlags()
	f.StringVar(&d.collector, "collector", "", "ask the collector at `HOST:PORT` (or set WITNESSMARK_COLLECTOR); without it, the archive in the state folder")
	f.StringVar(&d.state, "state", "", "state folder `DIR` (or set WITNESSMARK_STATE)")
	cmd.AddCommand(
		serveCommand(d),
		tokenCommand(d),
		loginCommand(d),
		membersCommand(d),
		revokeCommand(d),
		followCommand(d),
		rigsCommand(d),
		runsCommand(d),
		showCommand(d),
		flagsCommand(d),
		markCommand(d),
		retractCommand(d),
		reinstateCommand(d),
		compareCommand(d),
		reportCommand(d),
		scalingCommand(d),
		historyCommand(d),
		comparableCommand(d),
		coverageCommand(d),
		exportCommand(d),
		dossierCommand(d),
		verifyCommand(d),
		checkCommand(d),
		backupCommand(d),
		restoreCommand(d),
		rekeyCommand(d),
	)
	screen.StrictUsage(cmd)
	return cmd
}
