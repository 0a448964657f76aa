package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
)

// repeats is a series under way.
type repeats struct {
	*session
	rig      *capture.Rig
	far      *farClock // nil where runs go to this very machine, or its clocks are not told
	job      capture.Job
	study    *study // nil when the number of repeats is fixed
	progress *screen.Progress
	mine     []*capture.Outcome
	sent     map[string]dispatch.Delivered
	failed   error   // what ended the series early
	late     []error // why runs still wait for the collector
	held     int     // kept by the collector, and waiting for witnesses
}

func (r *repeats) repeat() string {
	if r.job.Repeat == 0 {
		return ""
	}
	return fmt.Sprintf("repeat %d of %d: ", r.job.Repeat, r.job.Repeats)
}

// recover finishes what a killed agent left. What cannot be finished stays
// where it is and is told of; it is no reason not to measure.
func (r *repeats) recover() {
	if err := r.finishDrafts(r.rig); err != nil {
		screen.Fail(r.stderr, "agent", err)
	}
}

// all makes the repeats. Its error says that there is nothing to show; what goes
// wrong once a run was measured is in failed.
func (r *repeats) all(ctx context.Context) error {
	for r.job.Repeat = 1; r.job.Repeat <= r.job.Repeats; r.job.Repeat++ {
		out, err := r.one(ctx)
		if out != nil {
			if r.job.Group == "" {
				r.job.Group = out.Run.ID
			}
			r.mine = append(r.mine, out)
		}
		if err != nil && len(r.mine) == 0 {
			return err
		}
		if err != nil {
			if ctx.Err() == nil || out != nil {
				r.failed = err
			}
			return nil
		}
		r.deliver(ctx)
		if ctx.Err() != nil || r.hopeless(out) || r.resolved(out) {
			return nil
		}
	}
	return nil
}

// one makes one repeat.
func (r *repeats) one(ctx context.Context) (*capture.Outcome, error) {
	unsettled, err := r.settle(ctx)
	if err != nil {
		return nil, err
	}
	if r.job.Remarks = nil; unsettled != "" {
		r.job.Remarks = []string{unsettled}
	}
	if r.far != nil {
		r.far.learn(ctx, func(ctx context.Context) (*dispatch.Way, error) { return r.way(ctx, r.rig.Destination) })
	}
	stop := r.tick()
	defer stop()
	out, err := r.rig.Run(ctx, r.job)
	if errors.Is(err, capture.ErrSpool) {
		err = fault.New("keep run", out.Run.ID, err).WithHint("its draft is kept; once there is room, finish and deliver it with: agent spool send")
	}
	return out, err
}

// tick shows on a terminal that time passes.
func (r *repeats) tick() (stop func()) {
	if !screen.IsTerminal(r.stderr) {
		return func() {}
	}
	done, start := make(chan struct{}), time.Now()
	go func() {
		t := time.NewTicker(time.Second)
		defer t.Stop()
		for {
			select {
			case <-done:
				return
			case <-t.C:
				r.progress.Note(time.Since(start).Truncate(time.Second).String())
			}
		}
	}()
	return func() { close(done) }
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
	views := []answer.Run{}
	for _, out := range r.mine {
		views = append(views, r.view(out))
	}
	if err := r.print(views); err != nil {
		return err
	}
	r.complain()
	bad, flagged := r.failed != nil, false
	doubted := slices.ContainsFunc(r.late, dispatch.Unproved)
	for i, out := range r.mine {
		flagged = flagged || views[i].Standing != drift.Clean
		late := r.sent[out.Run.ID].Err
		doubted = doubted || dispatch.Unproved(late)
		bad = bad || out.Run.Exit.Outcome != record.Finished || out.LogError != nil || (late != nil && !dispatch.Waits(late))
	}
	switch {
	case ctx.Err() != nil:
		return screen.Exit(screen.Interrupted, nil)
	case doubted:
		return screen.Exit(screen.NotProved, nil)
	case bad:
		return screen.Exit(screen.Failed, nil)
	case strict && flagged:
		return screen.Exit(screen.Flagged, nil)
	}
	return nil
}

// complain tells on stderr what went wrong with workload, log, results and
// delivery, each once.
func (r *repeats) complain() {
	told := map[string]bool{}
	tell := func(err error) {
		if err != nil && !told[err.Error()] {
			told[err.Error()] = true
			r.tell(err)
			screen.Fail(r.stderr, "agent", err)
		}
	}
	for _, out := range r.mine {
		tell(r.failure(out))
		tell(out.LogError)
		tell(out.Missing)
	}
	for _, err := range append(r.late, r.failed) {
		tell(err)
	}
	if r.held > 0 {
		screen.Warn(r.stderr, "agent", screen.Count(r.held, "run")+" kept by the collector, in the spool until enough witnesses have signed; see: agent spool")
	}
}

// failure says how the workload failed and what it printed last; nil when it
// did not fail.
func (r *repeats) failure(out *capture.Outcome) error {
	e := out.Run.Exit
	if e.Outcome == record.Finished || e.Outcome == record.Interrupted {
		return nil
	}
	hint := "it printed nothing"
	if e.Outcome == record.NotStarted {
		hint = "name an executable file, relative to the working folder " + r.job.Dir + " (--dir, or dir in the workload file), or a program on the path"
		if _, err := os.Stat(r.job.Dir); err != nil {
			hint = "name an existing folder with --dir, or with dir in the workload file"
		}
	} else if last := lastLine(out.Output); last != "" {
		hint = "the last line it printed: " + last
	}
	return fault.New("workload", out.Run.Workload.Name, errors.New(e.Detail)).WithHint(hint)
}

// lastLine gives the last line that is not blank, cut to what fits a screen.
func lastLine(b []byte) string {
	s := strings.TrimSpace(string(b[max(0, len(b)-4096):]))
	s = s[strings.LastIndexAny(s, "\r\n")+1:]
	const most = 200
	if len(s) > most {
		s = "... " + strings.ToValidUTF8(s[len(s)-most:], "")
	}
	return s
}

// justMade is a run that has just been made: that it has no receipt yet is told,
// too, unlike in listings, which leave receipts out.
type justMade struct {
	answer.Run
	Receipt *answer.ReceiptJSON `json:"receipt"`
}

func (r *repeats) print(views []answer.Run) error {
	if r.json {
		runs := []justMade{}
		for _, v := range views {
			runs = append(runs, justMade{v, v.Receipt})
		}
		return screen.JSON(r.stdout, struct {
			Runs  []justMade `json:"runs"`
			Study *studyJSON `json:"study,omitempty"`
		}{runs, r.study.json()})
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
	if err := r.printSeries(views); err != nil {
		return err
	}
	return r.study.print(r.stdout)
}

// printSeries prints several repeats side by side.
func (r *repeats) printSeries(views []answer.Run) error {
	if len(views) < 2 {
		return nil
	}
	fmt.Fprintf(r.stdout, "\n%s\n", screen.Count(len(views), "run"))
	t := screen.NewTable("repeat", "run", "standing", "flags", "frames/s", "p99 ms", "")
	t.Indent = 2
	for _, v := range views {
		t.Row(strconv.Itoa(v.Repeat), v.ID, string(v.Standing), strconv.Itoa(len(v.Flags)),
			figure(v.Statistics.RateMean), figure(v.Statistics.FrametimeMS.P99), remarks(v))
	}
	return t.Write(r.stdout)
}

// figure is a statistic in a table; one that was refused is a dash.
func figure(f *float64) string {
	if f == nil {
		return "-"
	}
	return screen.Significant(*f)
}

// remarks says how a repeat ended, when it did not finish, and what it printed.
func remarks(v answer.Run) string {
	var words []string
	if v.Outcome != record.Finished {
		words = append(words, screen.Outcome(v))
	}
	for _, name := range slices.Sorted(maps.Keys(v.Results)) {
		words = append(words, strings.TrimSpace(fmt.Sprintf("%s %s %s", name, v.Results[name].Value, v.Results[name].Unit)))
	}
	return strings.Join(words, ", ")
}
