package capture

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
)

// MaxFile bounds one file of a run; a collector takes no more by default.
const MaxFile = 240 << 20

// outputName is the attachment that holds what the workload printed; printedName
// when the timing log is called so already.
const (
	outputName  = "output.txt"
	printedName = "printed.txt"
)

// maxName is the longest name of an attachment, in bytes.
const maxName = 120

// names gives what the attachments of a workload are called: the log by its
// file's name, made fit to be one.
func names(w *setup.Workload) (log, output string) {
	if output = outputName; w.Log == nil {
		return "", output
	}
	log = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == utf8.RuneError {
			return '_'
		}
		return r
	}, filepath.Base(w.Log.Path))
	for len(log) > maxName {
		_, n := utf8.DecodeRuneInString(log)
		log = log[n:]
	}
	if log == outputName {
		output = printedName
	}
	return log, output
}

// earlier is what lay at the log's path before the run. It is kept in the draft,
// for whoever finishes the run.
type earlier struct {
	Size   int64
	Wrote  time.Time // last
	SHA256 []byte    // nil when it was not read
}

// lookAt takes note of what lies at the path, nil when there is no file.
func lookAt(path string) *earlier {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return nil
	}
	e := &earlier{Size: info.Size(), Wrote: info.ModTime()}
	if b, err := readUpTo(path, info.Size()); err == nil && e.Size <= MaxFile && int64(len(b)) == e.Size {
		sum := sha256.Sum256(b)
		e.SHA256 = sum[:]
	}
	return e
}

// untouched says whether the file is the one from before.
func (e *earlier) untouched(info fs.FileInfo) bool {
	return e != nil && e.Size == info.Size() && e.Wrote.Equal(info.ModTime())
}

// begins says whether the data begins with all that was there before, and goes on.
func (e *earlier) begins(data []byte) bool {
	if e == nil || e.SHA256 == nil || e.Size == 0 || int64(len(data)) <= e.Size {
		return false
	}
	sum := sha256.Sum256(data[:e.Size])
	return bytes.Equal(sum[:], e.SHA256)
}

// unfit is a log that is not this run's, or cannot be taken as it is.
type unfit struct {
	code string // stable: "absent", "stale", "later", "too_large", "unreadable"
	why  *fault.Error
}

func (u unfit) Error() string { return u.why.Error() }
func (u unfit) Unwrap() error { return u.why }

// Refusal gives the stable word and the sentence for a log that was not taken.
func Refusal(err error) (code, detail string) {
	var u unfit
	var r *timing.Refused
	switch {
	case errors.As(err, &u):
		return u.code, u.why.Why.Error() // whoever shows it names the file
	case errors.As(err, &r):
		code = string(r.Code)
	default:
		code = "layout" // the operator's choice does not fit, or is not made
	}
	return code, err.Error()
}

// logFile is where a run's timing log is and how it is read.
type logFile struct {
	path string
	name string // of the attachment
	spec timing.Spec
	was  *earlier  // nil when there was no file
	end  time.Time // by when the run had ended, when the log is read long after; zero otherwise
}

// read reads what the workload left. Bytes may come beside an error, and are kept.
func (f logFile) read() ([]byte, error) {
	path := f.path
	bad := func(code string, why error, hint string) error {
		return unfit{code, fault.New("read timing log", path, why).WithHint(hint)}
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, bad("absent", errors.New("the workload wrote no such file"), "check path in [log], relative to the working directory, or --log")
	case err != nil:
		return nil, bad("unreadable", cause(err), "check the rights on the file")
	case !info.Mode().IsRegular():
		return nil, bad("absent", errors.New("not a regular file"), "check path in [log] or --log")
	case f.was.untouched(info):
		return nil, bad("stale", errors.New("the file is from before the run"), "the workload did not write its log; look at its output, and at path in [log] or --log")
	case info.Size() > MaxFile:
		return nil, bad("too_large", fmt.Errorf("it has %d bytes and %d are taken", info.Size(), int64(MaxFile)), "log fewer columns, or end the run sooner")
	}
	data, err := readUpTo(path, info.Size())
	switch {
	case err != nil:
		return nil, bad("unreadable", cause(err), "check the rights on the file")
	case !f.end.IsZero() && info.ModTime().After(f.end.Add(slack)):
		return data, bad("later", errors.New("the file was written after the run had ended"), "another run wrote over this one's log before it was read")
	}
	return data, nil
}

// tooLong remarks on a log whose times add up to more than the run took, by a
// fiftieth and a tenth of a second: its unit is another than thought, its clock
// is not the wall's, or rows of an earlier run stand in it. That a log was
// written behind an earlier one cannot be told for sure from one that was written
// anew with the same beginning, so it is no reason to refuse it.
//
// A log hundreds of times as long as a run of a second or more can hardly be
// anything but in another unit: units are a thousand apart.
func (f logFile) tooLong(durations []int64, run *record.Run, data []byte) []record.LogMark {
	var sum time.Duration
	elapsed := run.Elapsed
	for _, d := range durations {
		sum += time.Duration(d)
	}
	if !heard(run) || sum <= mostIn(run) {
		return nil
	}
	m := record.LogMark{Code: "longer_than_run", Detail: fmt.Sprintf("its times add up to %.4g s and the run took %.4g s", sum.Seconds(), elapsed.Seconds())}
	if elapsed >= time.Second && sum/elapsed >= unitApart {
		m.Code = "unit_in_doubt"
		m.Detail += fmt.Sprintf(": that is %d times as long, and its unit hardly the right one", sum/elapsed)
	}
	if f.was.begins(data) {
		m.Code = "earlier_rows"
		m.Detail += fmt.Sprintf("; it begins with the %d bytes that lay there before: the workload may write behind an earlier log", f.was.Size)
	}
	return []record.LogMark{m}
}

// unitApart is how many times as long as its run a log is whose unit is in
// doubt. A design choice: fewer may be work done side by side.
const unitApart = 300

// mostIn is the most that the times of a run's log can add up to.
func mostIn(run *record.Run) time.Duration {
	return run.Elapsed + run.Elapsed/50 + 100*time.Millisecond
}

// slack is what a file's time may lie behind the end of the run it was written
// in: children of the workload may close it, and file systems round.
const slack = 2 * time.Second

// withFile names the file in an error that does not name it yet.
func withFile(path string, err error) error {
	var u unfit
	if err == nil || errors.As(err, &u) {
		return err
	}
	return fault.New("read timing log", path, err)
}

// readUpTo reads the first size bytes, whatever is written behind them meanwhile.
func readUpTo(path string, size int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b := make([]byte, min(size, MaxFile))
	n, err := io.ReadFull(f, b)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = nil
	}
	return b[:n], err
}

// cause drops the path that an *fs.PathError repeats.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
