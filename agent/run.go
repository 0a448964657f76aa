package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/collect"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
)

// runFlags are what `agent run` can be told.
type runFlags struct {
	workload, setup, rig string
	strict, force        bool
	window               time.Duration
	given                workloadFlags
}

func runCommand(s *session) *cobra.Command {
	var f runFlags
	cmd := &cobra.Command{
		Use:   "run [--workload FILE] [-- COMMAND [ARGUMENT...]]",
		Short: "Measure a workload, record the run with its configuration, deliver it",
		Long: `Measure a workload: read the machine, run it while sampling clocks,
temperatures and load, read the machine again, take the timing log and the
printed results, sign the record and deliver it.

What is timed comes from a workload file, from flags and a command after --, or
from both, where flags go before the file. A workload that fails still gives a
record. A run that cannot be delivered waits in the spool.

Exits 0 when every run was measured, 1 when one is void because its workload or
its log failed, 3 with --strict when a flag weighs caution or more.`,
		Example: "  agent run --workload orrery.toml --setup heron-rated.toml\n" +
			"  agent run --repeats 5 --log frames.csv --log-column frame_ms -- ./orrery --seconds=20",
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.run(cmd.Context(), cmd, f, args)
		},
	}
	s.rootFlag(cmd)
	s.jsonFlag(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.workload, "workload", "", "workload `FILE`")
	fl.StringVar(&f.setup, "setup", "", "setup `FILE` that declares the state of the rig")
	fl.StringVar(&f.rig, "rig", "", "the rig's `NAME` (default: the setup's, else the host name)")
	fl.BoolVar(&f.strict, "strict", false, "exit 3 when a flag weighs caution or more")
	fl.DurationVar(&f.window, "idle-window", 5*time.Second, "how long to watch how idle the machine is before each repeat; 0 does not watch")
	f.given.register(fl)
	return cmd
}

// run makes the repeats one after the other.
func (s *session) run(ctx context.Context, cmd *cobra.Command, f runFlags, args []string) error {
	job, err := f.job(cmd, args)
	if err != nil {
		return err
	}
	rig, err := s.captureRig(f, job.Setup)
	if err != nil {
		return err
	}
	defer rig.Tree.Close()
	r := &repeats{session: s, rig: rig, job: job, progress: screen.NewProgress(s.stderr, job.Workload.Name)}
	defer r.progress.Done()
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
		return nil, "", fault.New("workload file", f.workload, reason(err)).WithHint("name an existing file with --workload")
	}
	w, err := setup.ParseWorkload(f.workload, data)
	if err != nil {
		return nil, "", err
	}
	dir := filepath.FromSlash(w.Dir)
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(filepath.Dir(f.workload), dir)
	}
	return w, dir, nil
}

func (s *session) captureRig(f runFlags, set *setup.Setup) (*capture.Rig, error) {
	tree, err := s.tree()
	if err != nil {
		return nil, err
	}
	rig := &capture.Rig{
		Tree: tree, Destination: s.destination(), Window: f.window, Version: version,
		Now: time.Now, Random: rand.Reader,
	}
	if s.root != "" {
		rig.Played, rig.Window = "the facts come from a captured tree, not from the machine that ran the workload", 0
	}
	if rig.Name, err = rigName(f.rig, set, tree); err == nil {
		var path string
		if path, err = s.path("key.pem"); err == nil {
			rig.Key, err = collect.LoadKey(path, true)
		}
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

// repeats is a series under way.
type repeats struct {
	*session
	rig      *capture.Rig
	job      capture.Job
	progress *screen.Progress
	mine     []*capture.Outcome
	sent     map[string]delivered
	failed   error // why the collector could not be reached
}

func (r *repeats) repeat() string {
	if r.job.Repeat == 0 {
		return ""
	}
	return fmt.Sprintf("repeat %d of %d: ", r.job.Repeat, r.job.Repeats)
}

// recover finishes what a killed agent left.
func (r *repeats) recover() {
	runs, err := r.rig.Recover()
	for _, run := range runs {
		screen.Warn(r.stderr, "agent", "run "+run.ID+" was finished from what a stopped agent had left")
	}
	if err != nil {
		screen.Fail(r.stderr, "agent", err)
	}
}

func (r *repeats) all(ctx context.Context) error {
	for r.job.Repeat = 1; r.job.Repeat <= r.job.Repeats; r.job.Repeat++ {
		if err := r.settle(ctx); err != nil {
			return err
		}
		out, err := r.rig.Run(ctx, r.job)
		if out != nil {
			if r.job.Group == "" {
				r.job.Group = out.Run.ID
			}
			r.mine = append(r.mine, out)
		}
		if err != nil {
			return r.lost(ctx, err)
		}
		r.deliver(ctx)
		if ctx.Err() != nil || r.hopeless(out) {
			break
		}
	}
	return nil
}

// lost handles a run that could not be measured or spooled. One that is only in
// its draft is finished by the next agent that opens the spool.
func (r *repeats) lost(ctx context.Context, err error) error {
	if errors.Is(err, capture.ErrSpool) {
		return fmt.Errorf("%w (its draft is kept and finished by the next agent run)", err)
	}
	if len(r.mine) > 0 && ctx.Err() != nil {
		return nil // what was measured before is still shown
	}
	return err
}

// hopeless says that the other repeats would end the same way.
func (r *repeats) hopeless(out *capture.Outcome) bool {
	if r.job.Repeat == r.job.Repeats {
		return false
	}
	why := ""
	switch code, _ := refusal(out); {
	case out.Run.Exit.Outcome == record.NotStarted:
		why = "the workload does not start"
	case code == "layout":
		why = "its timing log cannot be read as it is described"
	default:
		return false
	}
	screen.Warn(r.stderr, "agent", "the other repeats are left out: "+why)
	return true
}

func refusal(out *capture.Outcome) (code, detail string) {
	if out.LogError == nil {
		return "", ""
	}
	return capture.Refusal(out.LogError)
}

// conclude prints the runs and gives the exit code.
func (r *repeats) conclude(ctx context.Context, strict bool) error {
	r.progress.Done()
	if err := r.print(); err != nil {
		return err
	}
	r.complain()
	flagged, void := false, false
	for _, out := range r.mine {
		v := r.view(out)
		flagged = flagged || v.Standing != drift.Clean
		void = void || out.Run.Exit.Outcome != record.Finished || out.LogError != nil
	}
	switch {
	case ctx.Err() != nil:
		return screen.Exit(screen.Interrupted, nil)
	case void:
		return screen.Exit(screen.Failed, nil)
	case strict && flagged:
		return screen.Exit(screen.Flagged, nil)
	}
	return nil
}

// complain tells on stderr what went wrong with logs, results and delivery.
func (r *repeats) complain() {
	told := map[string]bool{}
	for _, out := range r.mine {
		for _, err := range []error{out.LogError, out.Missing} {
			if err != nil && !told[err.Error()] {
				told[err.Error()] = true
				screen.Fail(r.stderr, "agent", err)
			}
		}
	}
	if r.failed != nil {
		screen.Fail(r.stderr, "agent", r.failed)
	}
}

func (r *repeats) print() error {
	views := []answer.Run{}
	for _, out := range r.mine {
		views = append(views, r.view(out))
	}
	if r.json {
		return screen.JSON(r.stdout, struct {
			Runs []answer.Run `json:"runs"`
		}{views})
	}
	for i, v := range views {
		if i > 0 {
			fmt.Fprintln(r.stdout)
		}
		v = v.WithRecord(r.mine[i].Run)
		v.Signals = nil
		if err := screen.Run(r.stdout, v); err != nil {
			return err
		}
	}
	return nil
}
