package labtest

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// Shape bounds a random run. Its zero value gives small runs of every kind.
type Shape struct {
	LogBytes int    // size of its one timing log; 0 for any number of small ones, some of them damaged
	Workload string // its name; "" for any
	Setup    string // the declared setup's label; "" for any or none
	Bare     bool   // no setup is declared
	Plain    bool   // the workload finished and its logs can be read
}

func (s Shape) run(r *rand.Rand, rigName string, start time.Time) (*record.Run, [][]byte) {
	elapsed := time.Duration(r.Int64N(int64(time.Hour)))
	run := &record.Run{
		ID:  record.NewID(start, [5]byte{byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32())}),
		Rig: rigName, Started: start.UTC(), Elapsed: elapsed,
		Group: pick(r, "", "g-"+word(r)), Repeat: 1 + r.IntN(3), Repeats: 3 + r.IntN(3),
		Workload:    s.workload(r),
		Setup:       s.setup(r),
		Exit:        s.exit(r),
		WorkloadCPU: time.Duration(r.Int64N(int64(time.Hour))),
		Before:      Snapshot(r, start), After: Snapshot(r, start.Add(elapsed)),
		AgentCost: record.Cost{CPU: time.Duration(r.Int64N(1e9)), PeakRSS: r.Int64N(1 << 28)},
		Played:    pick(r, "", "made by labtest"), AgentVersion: pick(r, "", "0.1.0"),
	}
	if run.Exit.Outcome == record.Taken {
		run.Span = span(r, start, elapsed)
	}
	for range r.IntN(4) {
		run.Signals = append(run.Signals, signal(r, len(run.Signals), elapsed))
	}
	if r.IntN(2) == 0 {
		run.Clock = clock(r, start)
	}
	for range r.IntN(3) {
		run.Results = append(run.Results, timing.Result{
			Name: word(r) + strconv.Itoa(len(run.Results)), Value: strconv.Itoa(r.IntN(9999)) + ".50",
			Unit: pick(r, "", "frames/s"), Better: pick(r, "higher", "lower"),
		})
	}
	for range r.IntN(3) {
		run.Remarks = append(run.Remarks, text(r))
		run.Missing = append(run.Missing, word(r))
	}
	return run, s.files(r, run)
}

func (s Shape) workload(r *rand.Rand) record.Workload {
	w := record.Workload{Name: s.Workload, Version: pick(r, "", "3"), Content: pick(r, "", "time", "frame")}
	if w.Name == "" {
		w.Name = pick(r, "orrery", "dome-encode", name(r))
	}
	for range r.IntN(4) {
		w.Command = append(w.Command, text(r))
	}
	for range r.IntN(3) {
		if w.Settings == nil {
			w.Settings = map[string]string{}
		}
		w.Settings[word(r)] = text(r)
	}
	if r.IntN(2) == 0 {
		w.Source = []byte("name = " + strconv.Quote(w.Name) + "\n")
	}
	return w
}

func (s Shape) setup(r *rand.Rand) *record.Setup {
	label := s.Setup
	if s.Bare {
		return nil
	}
	if label == "" {
		if label = pick(r, "", "memory-rated", "memory-default"); label == "" {
			return nil
		}
	}
	return &record.Setup{Label: label, Source: []byte("label = " + strconv.Quote(label) + "\n"), FileName: label + ".toml"}
}

func (s Shape) exit(r *rand.Rand) record.Exit {
	if s.Plain {
		return record.Exit{Outcome: record.Finished}
	}
	return record.Exit{
		Outcome: pick(r, record.Finished, record.Finished, record.Failed, record.Killed, record.Interrupted, record.TimedOut, record.NotStarted, record.Taken),
		Code:    r.IntN(257) - 1, Detail: text(r),
	}
}

func span(r *rand.Rand, start time.Time, elapsed time.Duration) *record.Span {
	bound := func(how string, after time.Duration) record.Bound {
		return record.Bound{Wall: start.Add(after).UTC(), Boot: "boot-" + strings.Repeat("7", 1+r.IntN(3)), SinceBoot: time.Hour + after, How: how, Detail: pick(r, "", text(r))}
	}
	s := &record.Span{From: bound(record.ByDurations, 0), To: bound(record.ByLastWrite, elapsed)}
	switch r.IntN(3) {
	case 0:
		s.From.How, s.To.How = record.ByStamps, record.ByStamps
	case 1:
		s.Name, s.From.How, s.To.How = word(r), record.ByName, record.ByName
	}
	if r.IntN(4) == 0 {
		s.From.Boot, s.From.SinceBoot, s.To.Boot, s.To.SinceBoot = "", 0, "", 0
	}
	return s
}

// files makes the run's attachments and says how its logs are read.
func (s Shape) files(r *rand.Rand, run *record.Run) (data [][]byte) {
	attach := func(name, kind string, b []byte) {
		run.Attachments = append(run.Attachments, record.Attach(name, kind, b))
		data = append(data, b)
	}
	logs, size := r.IntN(3), 0
	if s.Plain || s.LogBytes > 0 {
		logs = 1
	}
	for i := range logs {
		if size = s.LogBytes; size == 0 {
			size = r.IntN(20000)
		}
		b := TimingLog(r, size)
		if !s.Plain && s.LogBytes == 0 && r.IntN(4) == 0 {
			b = b[:r.IntN(len(b))] // cut while it was written
		}
		name := fmt.Sprintf("%s-%d.csv", word(r), i)
		attach(name, record.TimingLog, b)
		run.Logs = append(run.Logs, Reading(name, b))
	}
	if r.IntN(2) == 0 {
		attach("output.txt", record.Output, []byte(strings.Repeat(text(r)+"\n", r.IntN(50))))
	}
	return data
}

// TimingLog makes a log of about size bytes, of at least a second.
func TimingLog(r *rand.Rand, size int) []byte {
	b := []byte("frame_ms\n")
	mean := 8 + 20*r.Float64()
	for sum := 0.0; len(b) < size || sum < 1200; {
		ms := math.Round(mean*(0.9+0.2*r.Float64())*1000) / 1000
		if r.IntN(200) == 0 {
			ms *= 3
		}
		b = append(strconv.AppendFloat(b, ms, 'f', 3, 64), '\n')
		sum += ms
	}
	return b
}

// Reading says how a log is read, as a rig would.
func Reading(name string, data []byte) record.Log {
	l := record.Log{Attachment: name}
	log, err := timing.Parse(data, l.Spec)
	if err != nil {
		l.Refused, l.Detail = "layout", err.Error()
		var refused *timing.Refused
		if errors.As(err, &refused) {
			l.Refused = refused.Code
		}
		return l
	}
	l.Spec, l.Rows = log.Layout.Spec(), log.Rows
	for _, m := range log.Marks {
		l.Marks = append(l.Marks, record.LogMark{Code: m.Code, Line: m.Line, Detail: m.Text})
	}
	return l
}

// Snapshot makes facts of the catalogue and beyond, some of them unread.
func Snapshot(r *rand.Rand, at time.Time) rig.Snapshot {
	var facts []rig.Fact
	for range r.IntN(30) {
		f := rig.Fact{Key: key(r), Source: "/proc/" + word(r)}
		switch r.IntN(4) {
		case 0:
			f.Value = rig.TextOf(text(r))
		case 1:
			f.Value, f.Unit = rig.NumberOf(math.Round(r.NormFloat64()*1e6)/100), pick(r, rig.NoUnit, rig.MHz, rig.Celsius)
		case 2:
			f.Value = rig.TruthOf(r.IntN(2) == 0)
		case 3:
			f.Unread = rig.Unread{Reason: pick(r, rig.Reasons...), Detail: text(r)}
		}
		facts = append(facts, f)
	}
	return rig.NewSnapshot(at.UTC(), facts)
}

func key(r *rand.Rand) rig.Key {
	e := rig.Catalogue[r.IntN(len(rig.Catalogue))].Key
	if before, after, ok := strings.Cut(string(e), "[]"); ok {
		return rig.Key(before + "[" + word(r) + strconv.Itoa(r.IntN(12)) + "]" + after)
	}
	if r.IntN(8) == 0 {
		return rig.Key(word(r) + "." + word(r))
	}
	return e
}

func signal(r *rand.Rand, n int, elapsed time.Duration) rig.Signal {
	s := rig.Signal{
		Key: rig.Of("cpu", strconv.Itoa(n), "clock"), Unit: pick(r, rig.MHz, rig.Celsius, rig.Percent, rig.Joule),
		Exponent: -r.IntN(7), Source: "/sys/" + word(r), Counter: r.IntN(3) == 0,
	}
	var at time.Duration
	v := r.Int64N(5000)
	for range r.IntN(300) {
		if at += 100*time.Millisecond + time.Duration(r.Int64N(1e6)); at > elapsed {
			break
		}
		v += r.Int64N(51) - 25
		s.Offsets, s.Values = append(s.Offsets, at), append(s.Values, v)
	}
	if len(s.Values) == 0 {
		s.Unread = rig.Unread{Reason: rig.Absent, Detail: text(r)}
	}
	for range r.IntN(3) {
		s.Limits = append(s.Limits, rig.Limit{Name: pick(r, "max", "crit"), Value: float64(60 + r.IntN(60))})
		s.Gaps = append(s.Gaps, rig.Gap{From: at, To: at + time.Second, Unread: rig.Unread{Reason: rig.Refused, Detail: text(r)}})
	}
	return s
}

// clock is one that nobody would find fault with.
func clock(r *rand.Rand, start time.Time) *record.Clock {
	c := &record.Clock{BootClock: rig.BootClock{Boot: fmt.Sprintf("boot-%016x", r.Uint64()), SinceBoot: time.Duration(r.Int64N(1e15))}}
	if r.IntN(2) == 0 {
		c.Unread = rig.Unread{Reason: pick(r, rig.Reasons...), Detail: text(r)}
		return c
	}
	c.Offset = &rig.ClockOffset{Ahead: time.Duration(r.Int64N(2e9) - 1e9), Uncertainty: time.Duration(r.Int64N(1e7)), Measured: start.UTC()}
	for range r.IntN(3) {
		c.Events = append(c.Events, record.ClockEvent{Kind: record.ClockStep, At: time.Duration(r.Int64N(1e12)), By: time.Duration(r.Int64N(1e9) - 5e8)})
	}
	return c
}

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// word gives a few letters.
func word(r *rand.Rand) string {
	const letters = "abcdefghijklmnopqrstuvwxyz"
	b := make([]byte, 2+r.IntN(6))
	for i := range b {
		b[i] = letters[r.IntN(len(letters))]
	}
	return string(b)
}

// name gives a name at the edges of what records take.
func name(r *rand.Rand) string {
	return pick(r, word(r), "dome encode", "zeiß-планетарий", strings.Repeat("n", 120), "a/b=c", "[x]", "ж\u00a0\u200b")
}

// text gives words that are hard on whatever stores or prints them.
func text(r *rand.Rand) string {
	return pick(r, "", word(r), word(r)+" "+word(r), "tab\tline\nbreak", "nul\x00byte", "\"quoted\" \\ back", "Größe 3 µs ∆", "\u202eright\u202c", strings.Repeat(word(r)+" ", 40))
}
