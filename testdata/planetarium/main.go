// Planetarium plays scenarios: runs of invented rigs in a planetarium workshop,
// for whoever wants to try an analysis before owning the rigs. Facts come from
// captured trees by the agent's own readers, frame times from a model; records,
// spool, delivery and receipts are the agent's. Nothing of it was ever measured:
// every record says so, and every listing shows the word played.
//
//	go run ./testdata/planetarium --scenario testdata/planetarium/planetarium.toml
//	go run ./collector runs
//
// Usage:
//
//	--scenario FILE        the scenario (TOML); README.md beside this file has its keys
//	--collector HOST:PORT  deliver there (or set WITNESSMARK_COLLECTOR); without
//	                       it, to the archive in the state folder
//	--data DIR             that collector's folder, as whose owner it is done
//	--state DIR            state folder (or set WITNESSMARK_STATE)
//
// Playing a scenario again plays the same runs, and a collector keeps them once.
//
// Exit codes: 0 fine, 1 failed, 2 wrong usage, 130 interrupted.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"witnessmark/internal/screen"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the command without its process.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	t := &theatre{stdout: stdout, stderr: stderr}
	var file string
	cmd := &cobra.Command{
		Use:   "planetarium --scenario FILE",
		Short: "Play runs of invented rigs into a collector",
		Long: `Play runs of invented rigs into a collector. Records, spool and delivery are the
agent's own; facts come from captured trees, frame times from a model, and every
record says that it was played.`,
		Example: "  go run ./testdata/planetarium --scenario testdata/planetarium/planetarium.toml",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return t.play(cmd.Context(), file) },
	}
	f := cmd.Flags()
	f.StringVar(&file, "scenario", "", "the scenario `FILE`")
	cmd.MarkFlagRequired("scenario")
	f.StringVar(&t.collector, "collector", "", "deliver to the collector at `HOST:PORT` (or set WITNESSMARK_COLLECTOR) as the owner of its folder; without it, to the archive in the state folder")
	f.StringVar(&t.data, "data", "", "that collector's folder `DIR`, on this machine")
	f.StringVar(&t.state, "state", "", "state folder `DIR` (or set WITNESSMARK_STATE)")
	screen.StrictUsage(cmd)
	cmd.SetArgs(args)
	cmd.SetOut(stdout)
	cmd.SetErr(stderr)
	return screen.Fail(stderr, cmd.Name(), cmd.ExecuteContext(ctx))
}
