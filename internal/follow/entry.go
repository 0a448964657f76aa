package follow

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/judge"
	"witnessmark/internal/record"
	"witnessmark/internal/series"
	"witnessmark/internal/trail"
)

// Check holds all that came with an entry against the entry, and gives what is to
// be kept of it. Known are the keys of the trail.
func (e Entry) Check(known note.Verifiers) (archive.Adopting, error) {
	a := archive.Adopting{Copied: e.Copied}
	if (e.Run != nil) != (e.Entry.Kind == trail.KindRecord) {
		return a, fmt.Errorf("a %v came with the bytes of something else", e.Entry.Kind)
	}
	if e.Run == nil {
		return a, nil
	}
	run, err := e.Run.decode(e.Entry)
	if err != nil {
		return a, err
	}
	got, _, err := e.Run.Receipt.Check(known, trail.KindRecord, e.Entry.Digest)
	if err == nil && got != e.Entry {
		err = errors.New("its receipt is of another entry")
	}
	if err != nil {
		return a, err
	}
	s, err := e.Run.summary(e.Entry, run)
	if err != nil {
		return a, err
	}
	read := judge.Read(run, e.Run.Parts)
	k := Keeping(run, e.Run.Signed, e.Run.Parts, read)
	k.Summary = e.Run.Summary
	k.Labels = LabelsOf(s)
	a.Keeping, a.Receipt = &k, e.Run.Receipt
	return a, nil
}

// Keeping gives what is kept of a record beside its summary and labels.
func Keeping(run *record.Run, s record.Signed, parts [][]byte, read judge.Reading) archive.Keeping {
	k := archive.Keeping{ID: run.ID, Started: run.Started, Setup: run.Setup, Signed: s}
	for i, a := range run.Attachments {
		k.Parts = append(k.Parts, archive.Part{Name: a.Name, Data: parts[i]})
	}
	for _, l := range read.Logs {
		if l.Durations != nil {
			k.Series = append(k.Series, archive.Part{Name: l.Found.Name, Data: series.Encode(make([]byte, 0, len(l.Durations)), l.Durations)})
		}
	}
	return k
}

// LabelsOf gives the labels by which a run is listed as it was judged.
func LabelsOf(s answer.Summary) archive.Labels {
	return archive.Labels{Rig: s.Rig, Workload: s.Workload, Setup: s.Setup, Standing: string(s.Judgement.Standing), Played: s.Played != ""}
}

// decode checks the record and its attachments.
func (r Run) decode(e trail.Entry) (*record.Run, error) {
	if err := r.Signed.Verify(); err != nil {
		return nil, err
	}
	if r.Signed.SHA256() != e.Digest || int64(len(r.Signed.Bytes)) != e.Length {
		return nil, errors.New("its record is not the one that its entry binds")
	}
	run, err := record.Decode(r.Signed.Bytes)
	switch {
	case err != nil:
		return nil, err
	case run.ID != e.Subject || run.Rig != e.Actor:
		return nil, fmt.Errorf("its record is of run %s of %s", run.ID, run.Rig)
	case len(run.Attachments) != len(r.Parts):
		return nil, fmt.Errorf("its record binds %d files, and %d came", len(run.Attachments), len(r.Parts))
	}
	for i, a := range run.Attachments {
		if record.Attach(a.Name, a.Kind, r.Parts[i]) != a {
			return nil, fmt.Errorf("file %s is not the one that its record binds", a.Name)
		}
	}
	return run, nil
}

// summary checks what the source made of the run then.
func (r Run) summary(e trail.Entry, run *record.Run) (answer.Summary, error) {
	s, err := answer.ParseSummary(r.Summary)
	switch {
	case err != nil:
		return s, err
	case s.ID != run.ID || s.RecordSHA256 != e.Digest || s.Rig != run.Rig || s.Workload != run.Workload.Name || !s.Started.Equal(run.Started):
		return s, errors.New("its summary is of another run")
	}
	standing, bound, ok := strings.Cut(e.Text, ", summary sha256 ")
	if ok && (standing != string(s.Judgement.Standing) || bound != fmt.Sprintf("%x", sha256.Sum256(r.Summary))) {
		err = errors.New("its summary is not the one that its entry binds")
	}
	return s, err
}
