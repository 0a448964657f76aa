package capture

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/timing"
	"witnessmark/internal/watch"
)

// Rig is the machine that runs are captured on. All fields but Clock, Offset,
// Played and Tell are needed.
type Rig struct {
	Name        string
	Tree        *probe.Tree
	Key         ed25519.PrivateKey
	Spool       *spool.Spool
	Destination string                                // of the records, as the spool keeps it
	Demand      *spool.Demand                         // of witnesses, for them; nil when none is made
	Window      time.Duration                         // for which idleness is watched before a run; 0 does not watch
	Clock       watch.Clock                           // nil when the machine's clocks are not told, as of a captured tree
	Offset      func() (*rig.ClockOffset, rig.Unread) // of the wall clock to the collector's now, or why it is not known; nil when nobody asked
	Played      string                                // why the facts are not this machine's; "" when they are
	Version     string                                // of the agent
	Now         func() time.Time
	Random      io.Reader
	Tell        func(stage string) // progress, in words; nil for silence
}

// Job is one repeat to be run.
type Job struct {
	Workload        *setup.Workload
	Dir             string       // where it runs, absolute
	Setup           *setup.Setup // nil when none is declared
	Group           string       // the id of the first repeat; "" for that one
	Repeat, Repeats int
	Remarks         []string // on how it came to start, for the record
}

// Outcome is a captured run, already in the spool.
type Outcome struct {
	Run       *record.Run
	SHA256    [sha256.Size]byte // of the record's bytes
	Durations []int64           // of the timing log; nil when there is none or it was refused
	LogError  error             // why the timing log could not be read
	Missing   error             // results that the workload did not print
	Output    []byte            // what the workload printed, as far as it is kept
}

// ErrSpool is returned when a finished run could not be put into the spool; the
// Outcome that comes with it holds the only copy.
var ErrSpool = errors.New("the run is not in the spool")

// Run carries out the job. An interrupted ctx stops the workload and the run is
// recorded as interrupted. An error means that nothing was measured, or, with
// ErrSpool, that the record is only in the draft.
func (r *Rig) Run(ctx context.Context, job Job) (*Outcome, error) {
	r.tell("reading the machine")
	before := probe.Snapshot(ctx, r.Tree, probe.Options{Window: r.Window})
	if err := ctx.Err(); err != nil {
		return nil, context.Cause(ctx)
	}
	run, err := r.begin(job, before)
	if err != nil {
		return nil, err
	}
	c := &capturing{rig: r, job: job, run: run}
	if err := c.open(); err != nil {
		return nil, err
	}
	c.execute(ctx)
	c.run.After = probe.Snapshot(context.WithoutCancel(ctx), r.Tree, probe.Options{})
	c.update()
	return c.finish()
}

func (r *Rig) tell(stage string) {
	if r.Tell != nil {
		r.Tell(stage)
	}
}

// unheard is the outcome's detail until the workload's end is known.
const unheard = "the agent ended before the workload did"

// begin makes the record as it is to be told if nothing more is heard of it.
func (r *Rig) begin(job Job, before rig.Snapshot) (*record.Run, error) {
	var random [5]byte
	if _, err := io.ReadFull(r.Random, random[:]); err != nil {
		return nil, fault.New("begin run", job.Workload.Name, err)
	}
	now, clock := r.Now().UTC(), r.clock()
	id := record.NewID(now, random)
	run := &record.Run{
		ID: id, Rig: r.Name, Started: now, Clock: clock, Before: before,
		Exit:   record.Exit{Outcome: record.Interrupted, Code: -1, Detail: unheard},
		Played: r.Played, AgentVersion: r.Version,
	}
	job.describe(run)
	return run, nil
}

// describe says in the record what is run, how often and in which setup.
func (job Job) describe(run *record.Run) {
	run.Workload, run.Remarks = workloadOf(job.Workload), slices.Clone(job.Remarks)
	run.Group, run.Repeat, run.Repeats = cmp.Or(job.Group, run.ID), job.Repeat, job.Repeats
	if s := job.Setup; s != nil {
		run.Setup = &record.Setup{Label: s.Label, Source: s.Source, FileName: filepath.Base(s.File)}
	}
}

func workloadOf(w *setup.Workload) record.Workload {
	out := record.Workload{Name: w.Name, Version: w.Version, Command: w.Command, Content: string(w.Content), Source: w.Source}
	for k, v := range w.Settings {
		if out.Settings == nil {
			out.Settings = map[string]string{}
		}
		out.Settings[k] = v.String()
	}
	return out
}

// capturing is a run under way.
type capturing struct {
	rig    *Rig
	job    Job
	run    *record.Run
	draft  *spool.Draft
	output *os.File
	was    *earlier // the timing log as it lay there before
}

// open stores the draft and looks at what lies where the log will be.
func (c *capturing) open() error {
	log := c.logPath()
	if log != "" {
		c.was = lookAt(log)
	}
	files, err := draftFiles(c.job.Workload, log, c.was)
	if err != nil {
		return err
	}
	b, err := record.Encode(c.run)
	if err != nil {
		return fault.New("begin run", c.run.ID, err).WithHint("look at the names of rig, workload and setup: they come from flags, files or the host")
	}
	if c.draft, err = c.rig.Spool.Begin(c.run.ID, c.rig.Destination, b, files, c.rig.Demand); err != nil {
		return err
	}
	if c.output, err = c.draft.CreateOutput(); err != nil {
		return errors.Join(err, c.draft.End())
	}
	return nil
}

func (c *capturing) logPath() string {
	l := c.job.Workload.Log
	switch {
	case l == nil:
		return ""
	case filepath.IsAbs(l.Path):
		return l.Path
	}
	return filepath.Join(c.job.Dir, l.Path)
}

// execute runs the workload with the sampler beside it, and stores what is
// known the moment it has ended.
func (c *capturing) execute(ctx context.Context) {
	c.rig.tell("running the workload")
	w := c.job.Workload
	p := newProcess(w.Command, w.Env, c.job.Dir, c.output)
	sampler := probe.NewSampler(c.rig.Tree, probe.SampleOptions{Workload: p.leader})
	defer sampler.Close()
	cost := probe.SelfCost()
	start := time.Now() // monotonic; the wall clock is the caller's
	clocks := c.rig.follow()
	sampled := make(chan struct{})
	sampling, stop := context.WithCancel(context.WithoutCancel(ctx))
	go func() {
		defer close(sampled)
		sampler.Run(sampling, func() time.Duration { clocks.note(); return time.Since(start) })
	}()
	p.run(ctx, w.Timeout)
	c.run.Elapsed = p.ended.Sub(p.began)
	stop()
	<-sampled
	clocks.tell(c.run)
	after := probe.SelfCost()
	c.run.AgentCost = record.Cost{CPU: after.CPU - cost.CPU, PeakRSS: after.PeakRSS}
	c.run.Exit, c.run.WorkloadCPU = p.exit, p.cpu
	c.run.Signals = within(sampler.Signals(), p.began.Sub(start), c.run.Elapsed)
	c.output.Close()
	c.update()
}

// update stores what is known of the run: on a full disk with signals as thin as
// they must be, which the record itself need not have.
func (c *capturing) update() {
	told := *c.run
	for by := 1; ; by *= 4 {
		if by > 1 {
			told.Signals = rig.Thin(c.run.Signals, by)
			told.Remarks = append(slices.Clone(c.run.Remarks), fmt.Sprintf("the disk was full: the signals are thinned from %d to %d samples, evenly and with the least and the greatest of each stretch",
				rig.Samples(c.run.Signals), rig.Samples(told.Signals)))
		}
		b, err := encode(&told, limits)
		if err == nil {
			err = c.draft.Update(b)
		}
		switch {
		case err == nil:
			return
		case !spool.Full(err) || by > 1<<12:
			c.run.Remarks = append(c.run.Remarks, "the draft could not be updated: "+err.Error())
			return
		}
	}
}

// within moves offsets to the workload's start, rounds them to a tenth of a
// millisecond, and leaves out passes from outside the run. The sampler may share
// one slice of offsets among signals, so new ones are made.
func within(signals []rig.Signal, began, elapsed time.Duration) []rig.Signal {
	out := slices.Clone(signals)
	for i := range out {
		s := &out[i]
		offsets, samples := s.Offsets, s.Values
		s.Offsets, s.Values = nil, nil
		for k, o := range offsets {
			if o -= began; o >= 0 && o <= elapsed {
				s.Offsets, s.Values = append(s.Offsets, o.Round(100*time.Microsecond)), append(s.Values, samples[k])
			}
		}
		gaps := s.Gaps
		s.Gaps = nil
		for _, g := range gaps {
			if g.From, g.To = max(0, g.From-began), min(elapsed, g.To-began); g.From <= g.To {
				s.Gaps = append(s.Gaps, g)
			}
		}
		if len(s.Values) == 0 && s.Unread.Reason == "" {
			s.Unread = rig.Unread{Reason: rig.Absent, Detail: "no sample fell into the run"}
		}
	}
	return out
}

// finish reads what the workload left, and spools the record.
func (c *capturing) finish() (*Outcome, error) {
	out := &Outcome{Run: c.run}
	b := &bundle{run: c.run}
	log, output := names(c.job.Workload)
	if p := c.logPath(); p != "" {
		out.Durations, out.LogError = b.takeLog(logFile{path: p, name: log, spec: SpecOf(c.job.Workload), was: c.was})
		out.LogError = withFile(p, out.LogError)
	}
	out.Output, out.Missing = b.takeOutput(c.draft.OutputPath(), output, patternsOf(c.job.Workload))
	err := b.store(c.rig, c.draft)
	if out.SHA256 = b.sum; err != nil {
		c.draft.Release()
		return out, fmt.Errorf("%w: %w", ErrSpool, err)
	}
	return out, nil
}

// SpecOf gives what the workload file says of its log.
func SpecOf(w *setup.Workload) timing.Spec {
	l := w.Log
	return timing.Spec{
		Column: l.Column, Kind: timing.Kind(l.Kind), Unit: timing.Unit(l.Unit), Separator: l.Separator, Decimal: l.Decimal,
		Header: l.Header, Comment: l.Comment, Stamp: l.Stamp, StampUnit: timing.Unit(l.StampUnit),
	}
}

func patternsOf(w *setup.Workload) (ps []timing.Pattern) {
	for _, r := range w.Results {
		ps = append(ps, timing.Pattern{Name: r.Name, Expr: r.Pattern, Unit: r.Unit, Better: r.Better})
	}
	return ps
}
