package capture

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/timing"
)

func TestAttachmentsGetNamesThatARecordTakes(t *testing.T) {
	for path, want := range map[string][2]string{
		"out/frames.csv":         {"frames.csv", "output.txt"},
		"out/output.txt":         {"output.txt", "printed.txt"},
		"a\tb\x01.csv":           {"a_b_.csv", "output.txt"},
		"bad\xff.csv":            {"bad_.csv", "output.txt"},
		strings.Repeat("ß", 100): {strings.Repeat("ß", 60), "output.txt"},
		strings.Repeat("x", 130): {strings.Repeat("x", 120), "output.txt"},
	} {
		log, output := names(&setup.Workload{Log: &setup.Log{Path: path}})
		if log != want[0] || output != want[1] || !utf8.ValidString(log) {
			t.Errorf("%q is attached as %q beside %q, want %q", path, log, output, want)
		}
	}
}

// Which file is this run's log, by what lay there before and when it was written.
func TestOnlyThisRunsLogIsTaken(t *testing.T) {
	long, end := time.Now().Add(-time.Hour).Truncate(time.Second), time.Now().Add(-time.Minute)
	const before, after = "frame_ms\n500\n600\n", "frame_ms\n500\n600\n700\n"
	for name, test := range map[string]struct {
		before, after string
		wrote         time.Time // when it was last written; zero for now
		end           time.Time
		code          string
		kept          string
	}{
		"new":                      {"", after, time.Time{}, time.Time{}, "", after},
		"written over":             {before, after, time.Time{}, time.Time{}, "", after},
		"same bytes, written anew": {before, before, time.Time{}, time.Time{}, "", before},
		"untouched":                {before, before, long, time.Time{}, "stale", ""},
		"absent":                   {"", "", time.Time{}, time.Time{}, "absent", ""},
		"read late":                {"", after, end, end, "", after},
		"written after the end":    {"", after, time.Time{}, end, "later", after},
	} {
		path := filepath.Join(t.TempDir(), "f.csv")
		write := func(s string, at time.Time) {
			if s == "" {
				return
			}
			if err := os.WriteFile(path, []byte(s), 0o600); err != nil {
				t.Fatal(err)
			}
			if !at.IsZero() {
				os.Chtimes(path, at, at)
			}
		}
		write(test.before, long)
		f := logFile{path: path, was: lookAt(path), end: test.end}
		write(test.after, test.wrote)
		got, err := f.read()
		code := ""
		if err != nil {
			code, _ = Refusal(err)
			if fault.HintOf(err) == "" {
				t.Errorf("%s: %v has no hint", name, err)
			}
		}
		if code != test.code || string(got) != test.kept {
			t.Errorf("%s: %q with code %q, want %q with %q", name, got, code, test.kept, test.code)
		}
	}
}

// A run may be long in starting, and its rig's clock be set meanwhile: until when its log
// may have been written is told by when its end was stored.
func TestLogOfARunThatIsFinishedLater(t *testing.T) {
	for code, later := range map[string]time.Duration{"": 0, "later": time.Hour} {
		dir := t.TempDir()
		sp, err := spool.Open(filepath.Join(dir, "spool"))
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now().Add(-time.Minute)
		r := &Rig{Name: "heron", Key: labtest.Key(labtest.Rand(t)), Spool: sp, Destination: "dome.example:7410", Version: "0.1.0", Now: func() time.Time { return began }, Random: rand.Reader}
		job := Job{Workload: &setup.Workload{Name: "orrery", Command: []string{"orrery"}, Log: &setup.Log{Path: "f.csv"}}, Dir: dir, Repeat: 1, Repeats: 1}
		run, err := r.begin(job, rig.NewSnapshot(began, nil))
		if err != nil {
			t.Fatal(err)
		}
		c := &capturing{rig: r, job: job, run: run}
		if err := c.open(); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(c.logPath(), []byte("frame_ms\n500\n600\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		run.Elapsed, run.Exit = 2*time.Second, record.Exit{Outcome: record.Finished}
		c.update()
		c.output.Close()
		c.draft.Release()
		if at := time.Now().Add(later); later > 0 {
			os.Chtimes(c.logPath(), at, at)
		}
		runs, err := r.Recover()
		if err != nil || len(runs) != 1 {
			t.Fatal(runs, err)
		}
		if l := runs[0].Logs[0]; l.Refused != code || (l.Rows == 2) != (code == "") {
			t.Errorf("%+v, want %q", l, code)
		}
	}
}

// A log that holds more time than the run took, and how that came about.
func TestLogThatOutlastsItsRun(t *testing.T) {
	const earlierRows, rows = "500\n600\n", "500\n600\n700\n"
	path := filepath.Join(t.TempDir(), "f.csv")
	if err := os.WriteFile(path, []byte(earlierRows), 0o600); err != nil {
		t.Fatal(err)
	}
	was := lookAt(path)
	log, err := timing.Parse([]byte(rows), timing.Spec{Unit: timing.Milliseconds})
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		elapsed time.Duration
		was     *earlier
		exit    record.Exit
		code    string
	}{
		{1800 * time.Millisecond, was, record.Exit{Outcome: record.Finished}, ""},
		{1700 * time.Millisecond, was, record.Exit{Outcome: record.Finished}, ""}, // within the allowance
		{1000 * time.Millisecond, was, record.Exit{Outcome: record.Finished}, "earlier_rows"},
		{1000 * time.Millisecond, nil, record.Exit{Outcome: record.Finished}, "longer_than_run"},
		{0, was, record.Exit{Outcome: record.Interrupted, Detail: unheard}, ""},
		{5 * time.Millisecond, nil, record.Exit{Outcome: record.Finished}, "longer_than_run"}, // a log that was only copied
	} {
		marks := logFile{was: test.was}.tooLong(log.Durations, &record.Run{Elapsed: test.elapsed, Exit: test.exit}, []byte(rows))
		code := ""
		if len(marks) > 0 {
			code = marks[0].Code
		}
		if code != test.code {
			t.Errorf("%v: marked %q, want %q", test.elapsed, code, test.code)
		}
	}
}

// A log in another unit than thought is a thousand times as long as its run, or
// nearly so.
func TestUnitInDoubt(t *testing.T) {
	for sum, code := range map[time.Duration]string{
		2 * time.Hour: "unit_in_doubt", 61 * time.Minute: "unit_in_doubt", 30 * time.Minute: "longer_than_run", 12 * time.Second: "",
	} {
		marks := logFile{}.tooLong([]int64{int64(sum)}, &record.Run{Elapsed: 12 * time.Second, Exit: record.Exit{Outcome: record.Finished}}, nil)
		got := ""
		if len(marks) > 0 {
			got = marks[0].Code
		}
		if got != code {
			t.Errorf("%v in a run of 12 s is marked %q, want %q: %v", sum, got, code, marks)
		}
	}
}

func TestRefusalNamesItsKind(t *testing.T) {
	for _, test := range []struct {
		err          error
		code, detail string
	}{
		{&timing.Ambiguous{Code: "column", Why: "two columns"}, "layout", "two columns"},
		{&timing.Refused{Code: "too_short", Line: 3, Why: "half a second"}, "too_short", "line 3: half a second"},
		{unfit{"stale", fault.New("read timing log", "f.csv", errors.New("old"))}, "stale", "old"},
	} {
		if code, detail := Refusal(test.err); code != test.code || detail != test.detail {
			t.Errorf("%v: code %q, %q", test.err, code, detail)
		}
	}
}
