package capture

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/timing"
)

// maxOutput bounds what is kept of a workload's output: its beginning and its end.
const maxOutput = 4 << 20

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
// why not.
func (b *bundle) takeLog(f logFile) ([]int64, error) {
	data, err := f.read()
	return b.readLog(f, data, err)
}

// readLog does the same with what reading the file gave.
func (b *bundle) readLog(f logFile, data []byte, err error) ([]int64, error) {
	l := record.Log{Attachment: f.name, Spec: f.spec}
	var durations []int64
	if err == nil {
		var log *timing.Log
		var took time.Duration
		if heard(b.run) {
			took = mostIn(b.run)
		}
		if log, err = timing.ParseRun(data, f.spec, int64(took)); err == nil {
			durations, l.Spec, l.Rows = log.Durations, log.Layout.Spec(), log.Rows
			for _, m := range log.Marks {
				l.Marks = append(l.Marks, record.LogMark{Code: string(m.Code), Line: m.Line, Detail: m.Text})
			}
			l.Marks = append(l.Marks, f.tooLong(durations, b.run, data)...)
		}
	}
	if err != nil {
		l.Refused, l.Detail = Refusal(err)
	}
	b.attach(f.name, record.TimingLog, data)
	b.run.Logs = append(b.run.Logs, l)
	return durations, err
}

// takeOutput attaches what the workload printed and takes the results from it.
func (b *bundle) takeOutput(path, name string, patterns []timing.Pattern) ([]byte, error) {
	data, cut, err := readOutput(path)
	if err != nil {
		b.run.Remarks = append(b.run.Remarks, "the workload's output could not be read: "+err.Error())
	}
	if cut {
		b.run.Remarks = append(b.run.Remarks, fmt.Sprintf("of the workload's output the first and the last %d bytes are kept", maxOutput/2))
	}
	if len(data) > 0 {
		b.attach(name, record.Output, data)
	}
	results, err := timing.Results(data, patterns)
	b.run.Results = results
	var without timing.ResultErrors
	if errors.As(err, &without) {
		for _, m := range without {
			b.run.Missing = append(b.run.Missing, m.Name)
		}
	}
	return data, err
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

// store puts the record into the spool, and ends the draft.
func (b *bundle) store(r *Rig, d *spool.Draft) error {
	if err := b.put(r, d.Destination, d.Demand); err != nil {
		return err
	}
	return d.End()
}

// put encodes and signs the record, and puts it into the spool.
func (b *bundle) put(r *Rig, destination string, demand *spool.Demand) error {
	raw, err := encode(b.run, limits)
	if err != nil {
		return err
	}
	item := spool.Item{ID: b.run.ID, Destination: destination, Signed: record.Sign(raw, r.Key), Attachments: b.run.Attachments, Demand: demand}
	b.sum = item.Signed.SHA256()
	var open []func() (io.ReadCloser, error)
	for _, p := range b.parts {
		open = append(open, func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(p)), nil })
	}
	return r.Spool.Put(item, open)
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
		if err := b.recoverFile(f, d); err != nil {
			return nil, fault.New("finish run", d.ID, err)
		}
	}
	return run, b.store(r, d)
}

func (b *bundle) recoverFile(f spool.DraftFile, d *spool.Draft) error {
	if f.Kind == record.Output {
		var patterns []timing.Pattern
		if err := json.Unmarshal(f.How, &patterns); err != nil {
			return err
		}
		b.takeOutput(d.OutputPath(), f.Name, patterns)
		return nil
	}
	var how logHow
	if err := json.Unmarshal(f.How, &how); err != nil {
		return err
	}
	l := logFile{path: f.Path, name: f.Name, spec: how.Spec, was: how.Was}
	if heard(b.run) {
		end, err := d.Updated()
		if err != nil {
			return err
		}
		l.end = end
	}
	b.takeLog(l)
	return nil
}

// heard says whether the end of the run is known.
func heard(run *record.Run) bool { return run.Exit.Detail != unheard }

// logHow is how a draft's timing log is to be read.
type logHow struct {
	Spec timing.Spec
	Was  *earlier
}

// draftFiles says what a crash would leave to be read, and how.
func draftFiles(w *setup.Workload, path string, was *earlier) ([]spool.DraftFile, error) {
	how, err := json.Marshal(patternsOf(w))
	if err != nil {
		return nil, err
	}
	log, output := names(w)
	files := []spool.DraftFile{{Name: output, Kind: record.Output, How: how}}
	if path == "" {
		return files, nil
	}
	if how, err = json.Marshal(logHow{SpecOf(w), was}); err != nil {
		return nil, err
	}
	return append(files, spool.DraftFile{Path: path, Name: log, Kind: record.TimingLog, How: how}), nil
}
