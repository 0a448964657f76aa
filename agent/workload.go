package main

import (
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
)

// workloadFlags say by flags what a workload file says; where both speak, the
// flags are followed.
type workloadFlags struct {
	name, version, content, dir string
	repeats                     int
	timeout                     time.Duration
	log                         setup.Log
	results, units, better      []string
	below, otherLoad            float64
	settleLimit                 time.Duration
}

func (f *workloadFlags) register(fl *pflag.FlagSet) {
	fl.StringVar(&f.name, "name", "", "the workload's `NAME` (default: the file's, else the command's)")
	fl.StringVar(&f.version, "content-version", "", "`VERSION` of the content; runs of different versions are not compared")
	fl.StringVar(&f.content, "content", "", "what moves the content on, `WORD`: time (a slower rig shows fewer frames) or frame (every rig shows the same)")
	fl.StringVar(&f.dir, "dir", "", "working `DIR` of the command (default: the file's, else the current one)")
	fl.IntVar(&f.repeats, "repeats", 1, "make `N` runs")
	fl.DurationVar(&f.timeout, "timeout", 0, "stop a run after `TIME` (0: never)")
	fl.StringVar(&f.log.Path, "log", "", "the timing log that the workload writes, `FILE` relative to its working folder")
	fl.StringVar(&f.log.Column, "log-column", "", "column of durations or time stamps, by `NAME` or position from 1")
	fl.StringVar(&f.log.Unit, "log-unit", "", "`UNIT` of that column: s, ms, us, ns")
	fl.StringVar(&f.log.Kind, "log-kind", "", "what that column holds, `WORD`: duration or timestamp")
	fl.StringVar(&f.log.Separator, "log-separator", "", "separator of columns, `SIGN`: a character, tab, space, none")
	fl.StringVar(&f.log.Decimal, "log-decimal", "", "decimal `SIGN`: . or ,")
	fl.StringVar(&f.log.Header, "log-header", "", "whether the first line names the columns, `WORD`: yes or no")
	fl.StringVar(&f.log.Comment, "log-comment", "", "`PREFIX` of comment lines, or none")
	fl.StringVar(&f.log.Stamp, "log-stamp", "", "column of time stamps to hold durations against, by `NAME` or position, or none")
	fl.StringVar(&f.log.StampUnit, "log-stamp-unit", "", "`UNIT` of the column of --log-stamp")
	fl.StringArrayVar(&f.results, "result", nil, "take a figure from the output: `NAME=PATTERN` with a group around the number")
	fl.StringArrayVar(&f.units, "result-unit", nil, "unit of a figure: `NAME=UNIT`")
	fl.StringArrayVar(&f.better, "result-better", nil, "which is better, `NAME=WORD`: higher (the default) or lower")
	fl.Float64Var(&f.below, "settle-below", 0, "before each repeat wait until every temperature is below `CELSIUS`")
	fl.Float64Var(&f.otherLoad, "settle-load", 0, "before each repeat wait until other work takes less than `PERCENT` of all processors")
	fl.DurationVar(&f.settleLimit, "settle-limit", setup.DefaultSettleLimit, "wait no longer than `TIME`")
}

// apply lays the flags over the workload of the file.
func (f *workloadFlags) apply(cmd *cobra.Command, w *setup.Workload, args []string) error {
	if len(args) > 0 {
		w.Command = args
	}
	switch {
	case f.name != "":
		w.Name = f.name
	case w.Name == "" && len(w.Command) > 0:
		w.Name = filepath.Base(w.Command[0])
	}
	set := cmd.Flags().Changed
	if set("content-version") {
		w.Version = f.version
	}
	if set("repeats") {
		w.Repeats = f.repeats
	}
	if set("timeout") {
		w.Timeout = f.timeout
	}
	if set("content") {
		w.Content = setup.Content(f.content)
	}
	switch {
	case w.Repeats < 1:
		return screen.Misuse("", "--repeats %d: it takes 1 or more", w.Repeats)
	case w.Timeout < 0:
		return screen.Misuse("", "--timeout %v: it takes a time above 0", w.Timeout)
	case set("content") && w.Content != setup.ByTime && w.Content != setup.ByFrame:
		return screen.Misuse("use time when a slower rig shows fewer frames of the same scene, frame when every rig shows the same frames", "--content %q", f.content)
	}
	if err := f.settle(cmd, w); err != nil {
		return err
	}
	if err := f.applyLog(cmd, w); err != nil {
		return err
	}
	return f.applyResults(w)
}

func (f *workloadFlags) settle(cmd *cobra.Command, w *setup.Workload) error {
	set := cmd.Flags().Changed
	if !set("settle-below") && !set("settle-load") && !set("settle-limit") {
		return nil
	}
	s := setup.Settle{Limit: setup.DefaultSettleLimit}
	if w.Settle != nil {
		s = *w.Settle
	}
	if set("settle-below") {
		s.BelowCelsius = &f.below
	}
	if set("settle-load") {
		s.OtherLoadPercent = &f.otherLoad
	}
	if set("settle-limit") {
		s.Limit = f.settleLimit
	}
	w.Settle = &s
	switch {
	case set("settle-below") && !(f.below > -50 && f.below < 150):
		return screen.Misuse("give degrees Celsius, such as --settle-below 45", "--settle-below %v: no rig settles to that", f.below)
	case set("settle-load") && !(f.otherLoad > 0 && f.otherLoad <= 100):
		return screen.Misuse("give percent of all processors, such as --settle-load 2", "--settle-load %v: it takes a percentage above 0", f.otherLoad)
	case s.Limit < 0:
		return screen.Misuse("", "--settle-limit %v: it takes a time of 0 or more", s.Limit)
	case s.BelowCelsius == nil && s.OtherLoadPercent == nil:
		return screen.Misuse("add --settle-below or --settle-load", "--settle-limit is given, and nothing that is waited for")
	}
	return nil
}

func (f *workloadFlags) applyLog(cmd *cobra.Command, w *setup.Workload) error {
	log := f.log
	if w.Log != nil {
		log = *w.Log
	}
	any := w.Log != nil
	for _, x := range []struct {
		flag     string
		from, to *string
	}{
		{"log", &f.log.Path, &log.Path}, {"log-column", &f.log.Column, &log.Column}, {"log-unit", &f.log.Unit, &log.Unit},
		{"log-kind", &f.log.Kind, &log.Kind}, {"log-separator", &f.log.Separator, &log.Separator}, {"log-decimal", &f.log.Decimal, &log.Decimal},
		{"log-header", &f.log.Header, &log.Header}, {"log-comment", &f.log.Comment, &log.Comment},
		{"log-stamp", &f.log.Stamp, &log.Stamp}, {"log-stamp-unit", &f.log.StampUnit, &log.StampUnit},
	} {
		if cmd.Flags().Changed(x.flag) {
			*x.to, any = *x.from, true
		}
	}
	if !any {
		return nil
	}
	if log.Path == "" {
		return screen.Misuse("name the file with --log FILE", "it is said how the timing log is read, but not which file it is")
	}
	w.Log = &log
	spec := timing.Spec{
		Column: log.Column, Kind: timing.Kind(log.Kind), Unit: timing.Unit(log.Unit), Separator: log.Separator, Decimal: log.Decimal,
		Header: log.Header, Comment: log.Comment, Stamp: log.Stamp, StampUnit: timing.Unit(log.StampUnit),
	}
	return misuse(spec.Check())
}

// misuse takes an error in what a flag says for wrong usage.
func misuse(err error) error {
	if err == nil {
		return nil
	}
	return screen.Misuse(fault.HintOf(err), "%v", err)
}

func (f *workloadFlags) applyResults(w *setup.Workload) error {
	for _, r := range f.results {
		name, pattern, ok := strings.Cut(r, "=")
		if !ok || name == "" || pattern == "" {
			return screen.Misuse(`write it as --result 'score=score ([0-9.]+)'`, "--result %q is not NAME=PATTERN", r)
		}
		if i := slices.IndexFunc(w.Results, func(r setup.Result) bool { return r.Name == name }); i >= 0 {
			w.Results[i].Pattern = pattern
		} else {
			w.Results = append(w.Results, setup.Result{Name: name, Pattern: pattern, Better: "higher"})
		}
	}
	for _, v := range f.units {
		if err := f.describe(w, "result-unit", v, func(r *setup.Result, s string) { r.Unit = s }); err != nil {
			return err
		}
	}
	for _, v := range f.better {
		if err := f.describe(w, "result-better", v, func(r *setup.Result, s string) { r.Better = s }); err != nil {
			return err
		}
	}
	for _, r := range w.Results {
		if err := (timing.Pattern{Name: r.Name, Expr: r.Pattern, Unit: r.Unit, Better: r.Better}).Check(); err != nil {
			return misuse(err)
		}
	}
	return nil
}

// describe sets a property of the figure that v names.
func (f *workloadFlags) describe(w *setup.Workload, flag, v string, set func(*setup.Result, string)) error {
	name, value, ok := strings.Cut(v, "=")
	i := slices.IndexFunc(w.Results, func(r setup.Result) bool { return r.Name == name })
	switch {
	case !ok:
		return screen.Misuse("write the figure's name, = and the word", "--%s %s: it has no =", flag, v)
	case i < 0:
		return screen.Misuse("name a figure that --result or the workload file gives", "--%s %s: there is no figure %q", flag, v, name)
	}
	set(&w.Results[i], value)
	return nil
}
