package service

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/slogtest"

	"witnessmark/internal/fault"
)

// lines is a log that tests read while it is written.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *lines) log() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// TestJournalHandler: the handler keeps slog's rules, the time apart, which the
// journal has.
func TestJournalHandler(t *testing.T) {
	var out bytes.Buffer
	h := newJournalHandler(&out, &slog.HandlerOptions{})
	log := slog.New(h)
	log.WithGroup("a").With("x", 1).WithGroup("b").Info("m", "y", "two\nlines")
	if got, want := out.String(), `<6>msg=m a.x=1 a.b.y="two\nlines"`+"\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	out.Reset()
	log.Debug("not at this level")
	log.Error("e", Fault(fault.New("keep", "", errors.New("full")).WithHint("make room"))...)
	if got, want := out.String(), `<3>msg=e error="keep: full" hint="make room"`+"\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for level, want := range map[slog.Level]string{
		slog.LevelDebug: "<7>", slog.LevelInfo: "<6>", slog.LevelInfo + 1: "<6>", slog.LevelWarn: "<4>", slog.LevelError + 4: "<3>",
	} {
		if got := priority(level); got != want {
			t.Errorf("%v is %s, want %s", level, got, want)
		}
	}
}

// TestJournalLinesAreWhole: many goroutines, one line each.
func TestJournalLinesAreWhole(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(newJournalHandler(&out, &slog.HandlerOptions{}))
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			for j := range 100 {
				log.With("i", i).Info("kept", "j", j)
			}
		})
	}
	wg.Wait()
	seen := map[string]bool{}
	for _, line := range strings.Split(strings.TrimSpace(out.String()), "\n") {
		var i, j int
		if n, err := fmt.Sscanf(line, "<6>msg=kept i=%d j=%d", &i, &j); n != 2 || err != nil {
			t.Fatalf("a line is %q", line)
		}
		seen[line] = true
	}
	if len(seen) != 800 {
		t.Errorf("%d different lines, want 800", len(seen))
	}
}

func TestJSONLog(t *testing.T) {
	var out bytes.Buffer
	log := NewLog(&out, JSON, nil)
	err := slogtest.TestHandler(log.Handler(), func() (all []map[string]any) {
		for d := json.NewDecoder(&out); ; {
			var m map[string]any
			if d.Decode(&m) != nil {
				return all
			}
			all = append(all, m)
		}
	})
	if err != nil {
		t.Error(err)
	}
}
