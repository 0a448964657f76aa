// Package judge reads a run again from its record and files, and gathers what its
// judgement needs of it, so that the collector on the day and a verifier years
// later make the same of the same bytes.
//
//	read := judge.Read(run, files)      // read.Statistics, read.Logs
//	in := judge.Input(run, read.Found())
//	in.Setup, err = judge.Setup(run)
//	j := drift.Judge(in)                // with mark, keys and series from elsewhere
//
// The rig's own reading is not trusted: where it differs, that is a finding. The
// package keeps nothing and asks nobody.
package judge

import (
	"errors"
	"fmt"
	"slices"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
)

// Reading is what the files of a run say.
type Reading struct {
	Statistics answer.Statistics // of the first log that can be read
	Logs       []Log             // in the record's order
}

// Log is one timing log, read as the record says.
type Log struct {
	Found     drift.Log
	Durations []int64 // nanoseconds; nil when the log was refused
}

// Found gives what the judgement looks at.
func (r Reading) Found() (out []drift.Log) {
	for _, l := range r.Logs {
		out = append(out, l.Found)
	}
	return out
}

// Read reads the raw logs as the record says they are to be read. Files holds
// the attachments' bytes in the record's order.
func Read(run *record.Run, files [][]byte) Reading {
	r := Reading{Statistics: answer.NoStatistics("no timing log belongs to this run")}
	described := false
	for _, l := range run.Logs {
		i := slices.IndexFunc(run.Attachments, func(a record.Attachment) bool { return a.Name == l.Attachment })
		log, found := readLog(files[i], l)
		switch {
		case log == nil && !described:
			r.Statistics = answer.NoStatistics(found.Refused + ": " + found.Detail)
		case log != nil && !described:
			r.Statistics, described = answer.Describe(log.Durations), true
		}
		kept := Log{Found: found}
		if log != nil {
			kept.Durations = log.Durations
		}
		r.Logs = append(r.Logs, kept)
	}
	return r
}

// readLog reads one log; nil when it is refused.
func readLog(data []byte, l record.Log) (*timing.Log, drift.Log) {
	f := drift.Log{Name: l.Attachment}
	for _, m := range l.Marks {
		f.Marks = append(f.Marks, drift.LogMark{Code: m.Code, Detail: m.Detail})
	}
	log, err := timing.Parse(data, l.Spec)
	switch {
	case err != nil && l.Refused != "":
		f.Refused, f.Detail = l.Refused, l.Detail // the rig saw the file and its folder
	case err != nil:
		f.Refused, f.Detail = Refusal(err)
	case l.Refused != "":
		f.Refused, f.Detail = readOtherwise, fmt.Sprintf("the rig refused it (%s), the collector reads %d rows", l.Refused, log.Rows)
	case l.Rows != log.Rows:
		f.Refused, f.Detail = readOtherwise, fmt.Sprintf("the rig read %d rows, the collector %d", l.Rows, log.Rows)
	}
	return log, f
}

// readOtherwise is the word for a log that rig and collector do not agree on.
const readOtherwise = "read_otherwise"

// Refusal gives the stable word and the sentence for a log that timing refused.
func Refusal(err error) (code, detail string) {
	var r *timing.Refused
	if errors.As(err, &r) {
		return string(r.Code), err.Error()
	}
	return "layout", err.Error()
}

// Input is what a run by itself brings to its judgement; setup, mark, keys and
// series are the caller's to add.
func Input(r *record.Run, logs []drift.Log) drift.Input {
	in := drift.Input{
		Rig: r.Rig, Before: r.Before,
		Run: &drift.Run{
			After: r.After, Signals: r.Signals, Elapsed: r.Elapsed,
			Outcome: r.Exit.Outcome, Detail: r.Exit.Detail, Logs: logs, MissingResults: r.Missing,
		},
	}
	if c := r.Clock; c != nil {
		in.Offset = c.Offset
		for _, e := range c.Events {
			switch e.Kind {
			case record.ClockStep:
				in.Run.Set = append(in.Run.Set, e.By)
			case record.ClockSuspend:
				in.Run.Slept += e.By
			}
		}
	}
	return in
}

// Setup reads the setup that the record carries; nil when none was declared.
func Setup(r *record.Run) (*setup.Setup, error) {
	if r.Setup == nil {
		return nil, nil
	}
	s, err := setup.ParseSetup(r.Setup.FileName, r.Setup.Source)
	if err != nil {
		return nil, fmt.Errorf("the record's setup: %w", err)
	}
	if s.Label != r.Setup.Label {
		return nil, fmt.Errorf("the record is of setup %q and the setup's file is of %q", r.Setup.Label, s.Label)
	}
	return s, nil
}
