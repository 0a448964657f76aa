package collect

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"reflect"
	"slices"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/drift"
	"witnessmark/internal/series"
	"witnessmark/internal/timing"
)

// Check implements answer.Book: it goes through all that is kept.
func (c *Collector) Check(ctx context.Context, found func(where, what string), progress func(done, total int64)) (answer.Checked, error) {
	findings := 0
	count := func(where, what string) {
		findings++
		found(where, what)
	}
	n, err := c.archive.Examine(ctx, examination(count, progress))
	if err == nil && c.heads != nil {
		err = tellLost(c.archive, c.heads.dir, count)
	}
	if err == nil {
		c.metrics.checked(findings)
	}
	return answer.Checked(n), err
}

// Backup implements answer.Book.
func (c *Collector) Backup(ctx context.Context, begin func(size int64, verifierKey string) (io.Writer, error)) error {
	return c.archive.Copy(func(size int64, verifierKey string) (io.Writer, error) {
		w, err := begin(size, verifierKey)
		return whileWanted{ctx, w}, err
	})
}

// whileWanted writes until the context ends.
type whileWanted struct {
	ctx context.Context
	w   io.Writer
}

func (w whileWanted) Write(b []byte) (int, error) {
	if w.ctx.Err() != nil {
		return 0, context.Cause(w.ctx)
	}
	return w.w.Write(b)
}

// CheckFile is Check for an archive's file that no process serves, such as a
// backup. The trail must be signed with the key, or for "" with the one that the
// archive names itself.
func CheckFile(ctx context.Context, path, key string, found func(where, what string), progress func(done, total int64)) (answer.Checked, error) {
	n, err := archive.ExamineFile(ctx, path, key, examination(found, progress))
	if err != nil || n.VerifierKey == "" || filepath.Base(path) != ArchiveFile {
		return answer.Checked(n), err
	}
	a, err := archive.OpenReadOnly(path, key, time.Second)
	if err != nil {
		return answer.Checked(n), err
	}
	return answer.Checked(n), errors.Join(tellLost(a, filepath.Dir(path), found), a.Close())
}

// tellLost finds the heads that are written down in a collector's folder and not
// in its trail.
func tellLost(a *archive.Archive, dir string, found func(where, what string)) error {
	notes, err := known(dir)
	if err != nil {
		return err
	}
	lost, _, err := missing(a, dir, notes)
	for _, s := range lost {
		found("head", fmt.Sprintf("one over %d entries was signed, %v, and the trail does not have it", s.Head.Size, s.Head.Root))
	}
	return err
}

func examination(found func(where, what string), progress func(done, total int64)) archive.Examination {
	return archive.Examination{
		Found:    func(f archive.Finding) { found(f.Where, f.What) },
		Progress: progress,
		Run:      examine,
	}
}

// examine reads a run's logs again and holds what is derived from them, and from
// the record, against what is kept.
func examine(x archive.Examined) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	for _, l := range x.Run.Logs {
		data, ok := x.Parts[l.Attachment]
		if !ok {
			continue // told of as an attachment
		}
		kept, has := x.Series[l.Attachment]
		log, err := timing.Parse(data, l.Spec)
		switch {
		case err != nil && has:
			say("log %s: a series is kept of it, and it cannot be read: %v", l.Attachment, err)
		case err == nil && !has:
			say("log %s: its series is missing", l.Attachment)
		case err == nil && !sameSeries(kept, log.Durations):
			say("log %s: the series that is kept is not the log's", l.Attachment)
		}
	}
	s, err := answer.ParseSummary(x.Summary)
	if err != nil {
		say("summary: %v", err)
		return wrong
	}
	if !sameSummary(s, x) {
		say("summary: it is not of the record")
	}
	if want := drift.StandingOf(s.Judgement.Flags); s.Judgement.Standing != want || x.Labels.Standing != string(want) {
		say("summary: it says %s, its entry or the listing %s, and its flags make it %s", s.Judgement.Standing, x.Labels.Standing, want)
	}
	return wrong
}

// sameSeries says whether the encoded durations are these. Encoders of other
// versions may give other bytes for them.
func sameSeries(kept []byte, durations []int64) bool {
	if bytes.Equal(kept, series.Encode(make([]byte, 0, len(kept)), durations)) {
		return true
	}
	got, err := series.Decode(nil, kept)
	return err == nil && slices.Equal(got, durations)
}

// sameSummary compares all that a summary takes from the record alone.
func sameSummary(s answer.Summary, x archive.Examined) bool {
	want := answer.Summarise(x.Run, x.SHA256, answer.Statistics{}, drift.Judgement{})
	s.Statistics, s.Judgement = answer.Statistics{}, drift.Judgement{}
	return reflect.DeepEqual(overWire(s), overWire(want))
}

// overWire gives the summary as it comes out of its encoding.
func overWire(s answer.Summary) answer.Summary {
	b, err := s.Marshal()
	if err == nil {
		s, err = answer.ParseSummary(b)
	}
	if err != nil {
		s.ID = err.Error()
	}
	s.Statistics, s.Judgement = answer.Statistics{}, drift.Judgement{}
	return s
}
