package answer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
)

// LoadOptions say which of the chosen runs enter and how much of them is needed.
type LoadOptions struct {
	Include     []drift.Standing // beside clean; void never enters
	NeedLogs    bool             // Durations
	NeedSignals bool
	Limit       int // the newest runs only; 0 for all
}

// The reasons for which a chosen run does not enter.
const (
	LeftVoid    = "void"
	LeftCaution = "caution"
	LeftUnread  = "fact unread" // a fact that chooses could not be read
	// LeftRetracted is followed by a colon and the reason.
	LeftRetracted = "retracted"
)

// Loaded is the chosen runs, oldest first, and those that were chosen and did
// not enter, by reason.
type Loaded struct {
	Runs []compare.Run
	Left map[string][]string
}

// Load fetches the runs that a selection chooses. It lists by the narrowest label
// and fetches only what it needs: each run's record for logs and signals, and for
// facts alone one record for all runs of one command under one configuration.
func Load(ctx context.Context, b Book, s Selection, o LoadOptions) (Loaded, error) {
	var out Loaded
	left, err := Visit(ctx, b, s, o, func(_ Summary, r compare.Run) error {
		out.Runs = append(out.Runs, r)
		return nil
	})
	if err != nil {
		return Loaded{}, err
	}
	out.Left = left
	slices.SortFunc(out.Runs, func(a, b compare.Run) int {
		return cmp.Or(a.Started.Compare(b.Started), strings.Compare(a.ID, b.ID)) // what goes by the order of runs sees to it by itself
	})
	return out, nil
}

// Visit is Load for runs that need not be held all at once: it gives each to f in
// the order of the listing, newest first, and returns those left out by reason.
func Visit(ctx context.Context, b Book, s Selection, o LoadOptions, f func(Summary, compare.Run) error) (left map[string][]string, err error) {
	l := loader{book: b, selection: s, options: o, known: map[string]*record.Run{}, left: map[string][]string{}, yield: f}
	err = l.list(ctx, func(m Summary) error { return l.take(ctx, m) })
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	return l.left, nil
}

var errEnough = errors.New("the limit is reached")

type loader struct {
	book      Book
	selection Selection
	options   LoadOptions
	known     map[string]*record.Run // by what they share, for facts alone
	left      map[string][]string
	yield     func(Summary, compare.Run) error
	given     int
}

// list yields the summaries that the labels and ids choose.
func (l *loader) list(ctx context.Context, yield func(Summary) error) error {
	s := l.selection
	met := map[string]bool{}
	once := func(m Summary) error {
		if met[m.ID] || !s.labelled(m) {
			return nil
		}
		met[m.ID] = true
		return yield(m)
	}
	for _, id := range s.IDs {
		d, err := l.book.Show(ctx, id)
		if err == nil {
			err = once(d.Summary)
		}
		if err != nil {
			return err
		}
	}
	if len(s.IDs) > 0 {
		return nil
	}
	for _, q := range s.Queries() {
		if err := l.book.Runs(ctx, q, once); err != nil {
			return err
		}
	}
	return nil
}

// Queries gives the questions that between them list all runs that the labels
// choose; each may give others, too.
func (s Selection) Queries() (out []Query) {
	any := func(label string) []string {
		if v := s.Labels[label]; len(v) > 0 {
			return v
		}
		return []string{""}
	}
	for _, w := range any("workload") {
		for _, r := range any("rig") {
			for _, u := range any("setup") {
				out = append(out, Query{Workload: w, Rig: r, Setup: u, From: s.From, Before: s.Before})
			}
		}
	}
	return out
}

// labelled holds a summary against the labels and times.
func (s Selection) labelled(m Summary) bool {
	for label, have := range map[string]string{
		"rig": m.Rig, "workload": m.Workload, "version": m.WorkloadVersion, "setup": m.Setup, "group": m.Group,
	} {
		if want := s.Labels[label]; len(want) > 0 && !slices.Contains(want, have) {
			return false
		}
	}
	return (s.From.IsZero() || !m.Started.Before(s.From)) && (s.Before.IsZero() || m.Started.Before(s.Before))
}

// take brings one run in, or says why it stays out.
func (l *loader) take(ctx context.Context, m Summary) error {
	enters := l.enters(m)
	if !enters && len(l.selection.Facts) == 0 {
		l.leave(m.ID, m.LeftWhy())
		return nil
	}
	full := enters && (l.options.NeedLogs || l.options.NeedSignals)
	r, err := l.record(ctx, m, full)
	if err != nil {
		return err
	}
	run := RunOf(m, r)
	switch fits, unread := l.selection.fits(run); {
	case unread:
		l.leave(m.ID, LeftUnread)
		return nil
	case !fits:
		return nil
	case !enters:
		l.leave(m.ID, m.LeftWhy())
		return nil
	}
	if l.options.NeedLogs {
		if run.Durations, run.NoLog, err = l.log(ctx, r); err != nil {
			return err
		}
	}
	if l.options.NeedSignals {
		run.Signals = r.Signals
	}
	if err := l.yield(m, run); err != nil {
		return err
	}
	if l.given++; l.given == l.options.Limit {
		return errEnough
	}
	return nil
}

func (l *loader) enters(m Summary) bool {
	switch st := m.Judgement.Standing; st {
	case drift.Clean:
		return true
	case drift.Voided:
		return false
	default:
		return slices.Contains(l.options.Include, st)
	}
}

func (l *loader) leave(id, why string) { l.left[why] = append(l.left[why], id) }

// record gives a run's record; unless the whole is needed, that of another run
// of the same command, whose facts, files and settings are the same.
func (l *loader) record(ctx context.Context, m Summary, whole bool) (*record.Run, error) {
	shared := strings.Join([]string{string(m.Configuration[:]), m.Rig, m.Workload, m.WorkloadVersion, m.Setup, m.Group}, "\x00")
	if r, ok := l.known[shared]; ok && !whole && m.Group != "" {
		return r, nil
	}
	d, err := l.book.Show(ctx, m.ID)
	if err != nil {
		return nil, err
	}
	r, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		return nil, doubt("read record", m.ID, err)
	}
	if !whole {
		l.known[shared] = r
	}
	return r, nil
}

// log reads the first timing log that can be read, as the collector does when it
// describes the run.
func (l *loader) log(ctx context.Context, r *record.Run) (nanos []int64, why string, err error) {
	why = "no timing log belongs to this run"
	for _, g := range r.Logs {
		data, err := l.book.Attachment(ctx, r.ID, g.Attachment)
		if err != nil {
			return nil, "", err
		}
		log, err := timing.Parse(data, g.Spec)
		if err == nil {
			return log.Durations, "", nil
		}
		why = err.Error()
	}
	return nil, why, nil
}

// RunOf makes what comparisons look at from a run's summary and its record, or
// that of a run of the same command and configuration. After is left out then.
func RunOf(m Summary, r *record.Run) compare.Run {
	out := compare.Run{
		ID: m.ID, Rig: m.Rig, Workload: m.Workload, WorkloadVersion: m.WorkloadVersion, Setup: m.Setup, Group: m.Group,
		Content: r.Workload.Content, Repeat: m.Repeat, Started: m.Started, Elapsed: m.Elapsed,
		Standing: m.Judgement.Standing, Flags: m.Judgement.Flags, Played: m.Played, Results: m.Results,
		Before: r.Before, Configuration: r.Before.ConfigurationSHA256(), Settings: r.Workload.Settings,
		Definition: definitionOf(r),
	}
	if m.Clock != nil {
		out.Boot = m.Clock.BootClock
	}
	if m.ID == r.ID {
		out.After, out.Results = r.After, r.Results
	}
	if r.Setup != nil {
		// A file that cannot be read says nothing: the collector refused it
		// before it kept the record.
		if s, err := setup.ParseSetup(r.Setup.FileName, r.Setup.Source); err == nil {
			out.Noted, out.Declared = map[string]string{}, map[string]string{}
			for k, v := range s.Noted {
				out.Noted[k] = v.String()
			}
			for k, e := range s.Expect {
				out.Declared[k] = e.String()
			}
		}
	}
	return out
}

// definitionOf says how the run's figures are defined: what was run, which column
// of the log was read, and the pattern of each result.
func definitionOf(r *record.Run) map[string]string {
	d := map[string]string{}
	if len(r.Workload.Command) > 0 {
		d["command"] = strings.Join(quoted(r.Workload.Command), " ")
	}
	for i, l := range r.Logs {
		name := "log"
		if i > 0 {
			name += strconv.Itoa(i + 1)
		}
		d[name] = fmt.Sprintf("%s as %s", cmp.Or(l.Spec.Column, "the only column"), cmp.Or(string(l.Spec.Kind), "durations"))
	}
	w, err := setup.ParseWorkload("", r.Workload.Source)
	if err != nil {
		return d // it came by flags, or the version that reads it is another
	}
	for _, v := range w.Env {
		d["env."+v.Name] = v.Value
	}
	for _, x := range w.Results {
		d["result."+x.Name] = fmt.Sprintf("%s in %s, better %s", x.Pattern, cmp.Or(x.Unit, "no unit"), x.Better)
	}
	return d
}

func quoted(words []string) []string {
	out := slices.Clone(words)
	for i, w := range out {
		if w == "" || strings.ContainsAny(w, " \t\n\"'") {
			out[i] = strconv.Quote(w)
		}
	}
	return out
}

// fits holds a run against the facts of the selection.
func (s Selection) fits(r compare.Run) (fits, unread bool) {
	fits = true
	for _, k := range slices.Sorted(maps.Keys(s.Facts)) {
		hit, known := false, false
		for _, f := range r.Facts(k) {
			if !f.Read() {
				continue
			}
			known = true
			e, _ := rig.Lookup(f.Key)
			hit = hit || slices.ContainsFunc(s.Facts[k], func(want string) bool { return written(want, f.Value, e.Tolerance) })
		}
		switch {
		case !known:
			unread = true
		case !hit:
			return false, false
		}
	}
	return fits && !unread, unread
}

// written says whether a value may be what an analyst wrote.
func written(want string, v rig.Value, t rig.Tolerance) bool {
	if _, ok := v.Number(); ok {
		f, err := strconv.ParseFloat(want, 64)
		return err == nil && t.Equal(rig.NumberOf(f), v)
	}
	if yes, ok := v.Truth(); ok {
		w := strings.ToLower(want)
		return yes && slices.Contains([]string{"yes", "true", "on"}, w) || !yes && slices.Contains([]string{"no", "false", "off"}, w)
	}
	return v.String() == want
}
