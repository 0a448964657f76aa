package main

import (
	"context"
	"crypto/rand"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/capture"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/fault"
	rigs "witnessmark/internal/rig"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/watch"
)

// runFlags are what `agent run` can be told.
type runFlags struct {
	workload, setup, rig string
	strict               bool
	window               time.Duration
	given                workloadFlags
	until                untilFlags
	witness              witnessFlags
}

func runCommand(s *session) *cobra.Command {
	var f runFlags
	cmd := &cobra.Command{
		Use:   "run [FLAGS] [-- COMMAND [ARGUMENT...]]",
		Short: "Measure a workload, record the run with its configuration, deliver it",
		Long: `Measure a workload: read the machine, run it while sampling clocks,
temperatures and load, read the machine again, take the timing log and the
printed results, sign the record and deliver it.

What is timed comes from a workload file, or from flags and a command after --;
where both say something, the flags hold. A workload that fails still gives a
record. A run that cannot be delivered waits in the spool.

Exits 0 when every run was measured, even if it could not be delivered yet; 1
when a workload or its log failed; 4 when the collector did not prove that its
trail is the one that was seen before (see: agent trail --help); 3 with --strict when a flag weighs caution or
more; 130 when it was interrupted.`,
		Example: "  agent run --workload orrery.toml --setup heron-rated.toml\n" +
			"  agent run --repeats 5 --log frames.csv --log-column frame_ms -- ./orrery --seconds=20 --log=frames.csv",
		Args:                  cobra.ArbitraryArgs,
		DisableFlagsInUseLine: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.run(cmd.Context(), cmd, f, args)
		},
	}
	fl := cmd.Flags()
	fl.SortFlags = false // what belongs together stands together
	fl.StringVar(&f.workload, "workload", "", "`FILE` that describes the workload")
	fl.StringVar(&f.setup, "setup", "", "setup `FILE` that declares the state of the rig")
	fl.StringVar(&f.rig, "rig", "", "the rig's `NAME` (default: the setup's, else the host name)")
	fl.BoolVar(&f.strict, "strict", false, "exit 3 when a flag weighs caution or more")
	s.jsonFlag(cmd)
	f.given.register(fl)
	f.until.register(fl)
	f.witness.register(cmd)
	fl.DurationVar(&f.window, "idle-window", 5*time.Second, "watch for `TIME` before each repeat how idle the machine is; 0 does not watch")
	s.rootFlag(cmd)
	return cmd
}

// run makes the repeats one after the other.
func (s *session) run(ctx context.Context, cmd *cobra.Command, f runFlags, args []string) error {
	if f.window < 0 {
		return screen.Misuse("0 does not watch", "--idle-window %v: it takes a time of 0 or more", f.window)
	}
	if err := s.readDemand(cmd, f.witness); err != nil {
		return err
	}
	job, err := f.job(cmd, args)
	if err != nil {
		return err
	}
	rig, err := s.captureRig(f, job.Setup)
	if err != nil {
		return err
	}
	defer rig.Tree.Close()
	study, err := s.plan(ctx, f.until, &job)
	if err != nil {
		return err
	}
	r := &repeats{session: s, rig: rig, job: job, study: study, progress: screen.NewProgress(s.stderr, job.Workload.Name)}
	defer r.progress.Done()
	if rig.Clock != nil && rig.Destination != spool.Embedded {
		r.far = &farClock{clock: rig.Clock}
		rig.Offset = r.far.offset
	}
	rig.Tell = func(stage string) { r.progress.Step(r.repeat() + stage) }
	r.recover()
	r.progress.Step("preparing")
	if err := capture.Prepare(ctx, job.Workload, job.Dir, os.Stderr); err != nil {
		if ctx.Err() != nil {
			return err
		}
		return fault.New("prepare", job.Workload.Name, err).WithHint("what it printed stands above; prepare is in the workload file")
	}
	if err := r.all(ctx); err != nil {
		return err
	}
	return r.conclude(ctx, f.strict)
}

// job puts the workload together from file, flags and arguments.
func (f *runFlags) job(cmd *cobra.Command, args []string) (capture.Job, error) {
	var job capture.Job
	w, dir, err := f.loadWorkload()
	if err != nil {
		return job, err
	}
	if len(args) > 0 && cmd.ArgsLenAtDash() != 0 {
		return job, screen.Misuse("put -- before the command that is to be run", "%q stands before --", args[0])
	}
	if err := f.given.apply(cmd, w, args); err != nil {
		return job, err
	}
	if err := w.Validate(); err != nil {
		if f.workload != "" {
			return job, screen.Misuse(`add command = ["./orrery", "--seconds=20"] to it, or put a command after --`, "workload file %s gives no command", f.workload)
		}
		return job, screen.Misuse("name a file with --workload, or put a command after --", "nothing is given to be run")
	}
	if f.given.dir != "" {
		dir = f.given.dir
	}
	if dir, err = filepath.Abs(dir); err != nil {
		return job, err
	}
	job = capture.Job{Workload: w, Dir: dir, Repeats: w.Repeats}
	if f.setup != "" {
		if job.Setup, err = loadSetup(f.setup); err != nil {
			return job, err
		}
	}
	return job, nil
}

func (f *runFlags) loadWorkload() (*setup.Workload, string, error) {
	if f.workload == "" {
		return &setup.Workload{Repeats: 1}, ".", nil
	}
	data, err := os.ReadFile(f.workload)
	if err != nil {
		return nil, "", screen.Wrong(fault.New("workload file", f.workload, reason(err)).WithHint("name an existing file with --workload"))
	}
	w, err := setup.ParseWorkload(f.workload, data)
	if err != nil {
		return nil, "", screen.Wrong(err)
	}
	dir := filepath.FromSlash(w.Dir)
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(filepath.Dir(f.workload), dir)
	}
	return w, dir, nil
}

// sameClock is the offset to a collector in this very process.
func sameClock() (*rigs.ClockOffset, rigs.Unread) {
	return &rigs.ClockOffset{Measured: time.Now().UTC()}, rigs.Unread{}
}

func (s *session) captureRig(f runFlags, set *setup.Setup) (*capture.Rig, error) {
	if err := s.checkDestination(); err != nil {
		return nil, err
	}
	tree, err := s.tree()
	if err != nil {
		return nil, err
	}
	rig := &capture.Rig{
		Tree: tree, Destination: s.destination(), Demand: dispatch.DemandOf(s.demand), Window: f.window, Version: version,
		Now: time.Now, Random: rand.Reader,
	}
	if rig.Clock, err = watch.LiveClock(tree); err != nil || s.root != "" {
		rig.Clock = nil // of a captured tree, or where /proc is not mounted, which the facts tell
	}
	if rig.Destination == spool.Embedded {
		rig.Offset = sameClock
	}
	if s.root != "" {
		rig.Played, rig.Window = "the facts come from a captured tree, not from the machine that ran the workload", 0
	}
	if rig.Name, err = s.rigName(s.destination(), f.rig, set, tree); err == nil {
		rig.Key, err = s.loadKey()
	}
	if err == nil {
		rig.Spool, err = s.openSpool()
	}
	if err != nil {
		tree.Close()
		return nil, err
	}
	return rig, nil
}
