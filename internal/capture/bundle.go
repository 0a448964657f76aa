package capture

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/timing"
)

// MaxFile bounds one file of a run; a collector takes no more by default.
const MaxFile = 240 << 20

// maxOutput bounds what is kept of a workload's output: its beginning and its end.
const maxOutput = 4 << 20

// outputName is the attachment that holds what the workload printed.
const outputName = "output.txt"

// bundle gathers a record's attachments.
type bundle struct {
	run   *record.Run
	parts [][]byte
	sum   [sha256.Size]byte // of the record, once it is encoded
}

func (b *bundle) attach(name, kind string, data []byte) {
	b.run.Attachments = append(b.run.Attachments, record.Attach(name, kind, data))
	b.parts = append(b.parts, data)
}

// takeLog attaches the timing log byte for byte and says how it is read, or
// why not. A log that was there before and did not change is not this run's.
func (b *bundle) takeLog(path string, stale os.FileInfo, name string, spec timing.Spec) ([]int64, error) {
	data, err := readFile(path, stale)
	l := record.Log{Attachment: name, Spec: spec}
	var durations []int64
	if err == nil {
		var log *timing.Log
		if log, err = timing.Parse(data, spec); err == nil {
			durations, l.Spec, l.Rows = log.Durations, log.Layout.Spec(), log.Rows
			for _, m := range log.Marks {
				l.Marks = append(l.Marks, record.LogMark{Code: string(m.Code), Line: m.Line, Detail: m.Text})
			}
		}
	}
	if err != nil {
		l.Refused, l.Detail = Refusal(err)
	}
	b.attach(name, record.TimingLog, data)
	b.run.Logs = append(b.run.Logs, l)
	return durations, err
}

// missing is a log that is not there for this run.
type missing struct{ why *fault.Error }

func (m missing) Error() string { return m.why.Error() }
func (m missing) Unwrap() error { return m.why }

// Refusal gives the stable word and the sentence for a log that was not taken.
func Refusal(err error) (code, detail string) {
	var m missing
	var r *timing.Refused
	switch {
	case errors.As(err, &m):
		code = "absent"
	case errors.As(err, &r):
		code = string(r.Code)
	default:
		code = "layout" // the operator's choice does not fit, or is not made
	}
	return code, err.Error()
}

func readFile(path string, stale os.FileInfo) ([]byte, error) {
	absent := func(why error, hint string) error {
		return missing{fault.New("read timing log", path, why).WithHint(hint)}
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, absent(errors.New("the workload wrote no such file"), "check path in [log], relative to the working directory, or --log")
	case err != nil:
		return nil, absent(err, "check the rights on the file")
	case !info.Mode().IsRegular():
		return nil, absent(errors.New("not a regular file"), "check path in [log] or --log")
	case stale != nil && os.SameFile(stale, info) && stale.Size() == info.Size() && stale.ModTime().Equal(info.ModTime()):
		return nil, absent(errors.New("the file is from before the run"), "the workload did not write its log; look at its output")
	case info.Size() > MaxFile:
		return nil, absent(fmt.Errorf("it has %d bytes and %d are taken", info.Size(), int64(MaxFile)), "log fewer columns, or end the run sooner")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, absent(err, "check the rights on the file")
	}
	return data, nil
}

// takeOutput attaches what the workload printed and takes the results from it.
func (b *bundle) takeOutput(path string, patterns []timing.Pattern) error {
	data, cut, err := readOutput(path)
	if err != nil {
		b.run.Remarks = append(b.run.Remarks, "the workload's output could not be read: "+err.Error())
	}
	if cut {
		b.run.Remarks = append(b.run.Remarks, fmt.Sprintf("of the workload's output the first and the last %d bytes are kept", maxOutput/2))
	}
	if len(data) > 0 {
		b.attach(outputName, record.Output, data)
	}
	results, err := timing.Results(data, patterns)
	b.run.Results = results
	var missing timing.ResultErrors
	if errors.As(err, &missing) {
		for _, m := range missing {
			b.run.Missing = append(b.run.Missing, m.Name)
		}
	}
	return err
}

// readOutput reads a file of any size within the bound.
func readOutput(path string) (data []byte, cut bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, false, err
	}
	defer f.Close()
	if data, err = io.ReadAll(io.LimitReader(f, maxOutput)); err != nil {
		return data, false, err
	}
	info, err := f.Stat()
	if err != nil || info.Size() <= maxOutput {
		return data, false, err
	}
	end := make([]byte, maxOutput/2)
	n, err := f.ReadAt(end, info.Size()-int64(len(end)))
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return append(data[:maxOutput/2], end[:n]...), true, err
}

// store encodes and signs the record, puts it into the spool, and ends the draft.
func (b *bundle) store(r *Rig, d *spool.Draft) error {
	raw, err := record.Encode(b.run)
	if err != nil {
		return err
	}
	item := spool.Item{ID: b.run.ID, Destination: d.Destination, Signed: record.Sign(raw, r.Key), Attachments: b.run.Attachments}
	b.sum = item.Signed.SHA256()
	var open []func() (io.ReadCloser, error)
	for _, p := range b.parts {
		open = append(open, func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(p)), nil })
	}
	if err := r.Spool.Put(item, open); err != nil {
		return err
	}
	return d.End()
}

// Recover finishes the runs whose agent died, from their drafts and the files
// they left, and returns them, now in the spool. The state of the machine after
// such a run is not known, and the record says so.
func (r *Rig) Recover() ([]*record.Run, error) {
	drafts, err := r.Spool.Orphans()
	errs := []error{err}
	var runs []*record.Run
	for _, d := range drafts {
		run, err := r.recover(d)
		if err != nil {
			d.Release()
			errs = append(errs, err)
			continue
		}
		runs = append(runs, run)
	}
	return runs, errors.Join(errs...)
}

func (r *Rig) recover(d *spool.Draft) (*record.Run, error) {
	raw, err := d.SoFar()
	if err != nil {
		return nil, err
	}
	run, err := record.Decode(raw)
	if err != nil {
		return nil, fault.New("finish run", d.ID, err)
	}
	run.Remarks = append(run.Remarks, "the agent ended while it carried this run; it was finished later from what was on the disk")
	b := &bundle{run: run}
	for _, f := range d.Files {
		if err := b.recoverFile(f, d.OutputPath()); err != nil {
			return nil, fault.New("finish run", d.ID, err)
		}
	}
	return run, b.store(r, d)
}

func (b *bundle) recoverFile(f spool.DraftFile, output string) error {
	if f.Kind == record.Output {
		var patterns []timing.Pattern
		if err := json.Unmarshal(f.How, &patterns); err != nil {
			return err
		}
		b.takeOutput(output, patterns)
		return nil
	}
	var spec timing.Spec
	if err := json.Unmarshal(f.How, &spec); err != nil {
		return err
	}
	var stale os.FileInfo
	if info, err := os.Stat(f.Path); err == nil && info.ModTime().Before(b.run.Started.Add(-time.Second)) {
		stale = info // from before the run: refused as such
	}
	b.takeLog(f.Path, stale, f.Name, spec)
	return nil
}

// draftFiles says what a crash would leave to be read, and how.
func draftFiles(w *setup.Workload, log string) ([]spool.DraftFile, error) {
	how, err := json.Marshal(patternsOf(w))
	if err != nil {
		return nil, err
	}
	files := []spool.DraftFile{{Name: outputName, Kind: record.Output, How: how}}
	if log == "" {
		return files, nil
	}
	if how, err = json.Marshal(specOf(w)); err != nil {
		return nil, err
	}
	return append(files, spool.DraftFile{Path: log, Name: logName(w), Kind: record.TimingLog, How: how}), nil
}
