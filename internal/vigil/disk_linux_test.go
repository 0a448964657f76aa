package vigil_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
)

// TestFullDisk fills the disk of a running agent that holds a run and is given
// more logs: the collector shows that it is in trouble, what is finished is not
// lost, and once there is room everything is kept, whole and once.
func TestFullDisk(t *testing.T) {
	s := newSite(t, "heron")
	small := labtest.SmallDisk(t, "12m")
	s.state = filepath.Join(small, "state")
	logs := t.TempDir()
	s.plan = s.parse("collector = '" + address + "'\nrig = 'heron'\nbeat.every = '1s'\nring.size = '1 MiB'\n" +
		"[[folder]]\npath = '" + logs + "'\npattern = '*.csv'\nworkload = 'orrery'\nquiet = '1s'\n")
	v, stop := s.run()
	s.until("a beat", func() bool { return s.beat() != nil })
	log := func(n int) {
		t.Helper()
		// Not so short that it fits into what is left of the last page.
		text := "frame_ms\n" + strings.Repeat(fmt.Sprintf("8.25\n8.5\n7.%02d\n", n), 4000)
		place := filepath.Join(logs, fmt.Sprintf("orrery-%d.csv", n))
		if err := os.WriteFile(place+".tmp", []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(place+".tmp", place); err != nil {
			t.Fatal(err)
		}
	}
	s.cut.Store(true)
	log(1)
	s.until("a run waits", func() bool { return v.Status().Waiting.Runs == 1 })
	empty := labtest.FillDisk(t, filepath.Join(small, "filler"))
	log(2)
	log(3)
	s.until("its own word on it", func() bool {
		return strings.Contains(fmt.Sprint(v.Status().Troubles), "no space left")
	})
	s.cut.Store(false)
	kept := func() (runs []answer.Summary) {
		t.Helper()
		if err := answer.NewClient(s.kept).Runs(context.Background(), answer.Query{}, func(r answer.Summary) error { runs = append(runs, r); return nil }); err != nil {
			t.Fatal(err)
		}
		return runs
	}
	s.until("the collector shows it", func() bool {
		return strings.Contains(fmt.Sprint(s.beat().Troubles), "the spool is full")
	})
	s.until("the run that waited, delivered from a full disk", func() bool { return len(kept()) >= 1 })
	empty()
	s.until("all of them", func() bool { return len(kept()) == 3 && v.Status().Waiting.Runs == 0 })
	s.until("no troubles", func() bool { return len(v.Status().Troubles) == 0 && len(s.beat().Troubles) == 0 })
	stop()
	for _, r := range kept() {
		if r.Statistics.Frames != 12000 || r.Exit.Outcome != record.Taken || r.Clock == nil {
			t.Errorf("%+v", r)
		}
	}
	if got := labtest.Kept(t, s.kept.Archive); len(got) != 3 {
		t.Errorf("%d runs are kept of three logs", len(got))
	}
	s.sampled()
}
