// Command agent records a rig's runs: it reads what the machine says of itself,
// holds it against a declared setup, runs a workload while sampling clocks,
// temperatures and load, and delivers the signed record to a collector.
//
//	agent facts                             print this machine's facts
//	agent check --setup heron-rated.toml    hold it against a setup first
//	agent run --workload orrery.toml        measure, record, deliver
//	agent run --log frames.csv -- ./orrery  the same, all by flags
//	agent spool                             runs that wait for a collector
//	agent trail                             what was seen of collectors' trails
//	agent serve --config agent.toml         be always on: sample, beat, deliver
//	agent now                               what that agent does now
//	agent settle --below 45                 wait for the rig's starting state
//	agent span begin orrery                 mark where a run begins
//
// Without --collector it keeps records in an archive in the user's state folder.
// It only reads: it never sets a clock, a voltage, a fan or a power limit.
//
// Exit codes: 0 fine, 1 failed, 2 wrong usage or a wrong file, 3 flags raised (check, and run
// with --strict) or not settled (settle), 4 a collector's trail is not the one
// that was seen before, 130 interrupted.
package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"syscall"

	"witnessmark/internal/screen"
)

// version is set when a release is linked.
var version = "0.1.0"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), stops()...)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// stops are the signals that end a run in order. One that whoever started the
// agent had it ignore, as nohup does, stays ignored.
func stops() (list []os.Signal) {
	for _, s := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		if !signal.Ignored(s) {
			list = append(list, s)
		}
	}
	return list
}

// run is the command without its process: it parses, wires and waits.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	s := &session{stdout: stdout, stderr: stderr}
	cmd := rootCommand(s)
	cmd.SetArgs(args)
	cmd.SetIn(stdin)
	cmd.SetOut(stdout)
	cmd.SetErr(stderr)
	err := cmd.ExecuteContext(ctx)
	if ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.Cause(ctx))) {
		screen.Warn(stderr, cmd.Name(), "interrupted")
		err = screen.Exit(screen.Interrupted, nil)
	}
	code := screen.Fail(stderr, cmd.Name(), err)
	s.remind()
	return code
}
