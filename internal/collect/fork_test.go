package collect_test

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// TestForkBeyondTheCopy: a source that was put back and has gone on past the copy says
// what it has over as many entries as that: two heads of one size with its signature,
// which prove the fork to anybody who has its key.
func TestForkBeyondTheCopy(t *testing.T) {
	s := newCopiedSite(t)
	s.send(2)
	older := s.save()
	s.send(3)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	copied := s.head()
	s.putBack(older)
	s.serve()
	s.send(5)
	want := s.head()
	if want.Size <= copied.Size {
		t.Fatalf("the source has %d entries, the copy %d", want.Size, copied.Size)
	}
	var alarm audit.Alarm
	for range 2 {
		if err := s.once(); !errors.As(err, &alarm) || !strings.Contains(alarm.Why, trail.ErrForked.Error()) {
			t.Fatal(err)
		}
	}
	heads := map[string]trail.Head{}
	for _, name := range []string{"seen.head", "now.head"} {
		b, err := os.ReadFile(filepath.Join(alarm.Folder, name))
		if err == nil {
			heads[name], err = trail.OpenHead(b, labtest.Verifiers(t, alarm.Seen.Key))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if seen, now := heads["seen.head"], heads["now.head"]; seen != copied || now.Size != copied.Size || now.Root == copied.Root {
		t.Errorf("seen %v, now %v; the copy has %v", seen, now, copied)
	}
	// Once it is explained the next copy adds to the head of the evidence.
	if _, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "the disk was lost"); err != nil {
		t.Fatal(err)
	}
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.holds(s.copyDir, want.Size)
}

// TestForkAfterItWasRolledBack: the alarm over a source that was put back takes up the two
// heads of one size once the source has gone on past the copy, and keeps those of before.
func TestForkAfterItWasRolledBack(t *testing.T) {
	s, older := newPutBackSite(t, 3)
	var raised, now audit.Alarm
	if err := s.once(); !errors.As(err, &raised) || raised.Why != trail.ErrRolledBack.Error() {
		t.Fatal(err)
	}
	s.putBack(older) // and with it what the copy has shown it
	s.serve()
	s.send(5)
	err := s.once()
	if !errors.As(err, &now) || now.Name != raised.Name || now.Why != trail.ErrForked.Error() || now.Before == nil {
		t.Fatal(err)
	}
	if now.Before.Error() != raised.Error() || !strings.Contains(fault.HintOf(err), now.Folder+", which proves it to anybody") {
		t.Errorf("it was %v, and is said to have been %v; hint %q", raised, now.Before, fault.HintOf(err))
	}
	if _, err := collect.AcceptSource(s.copyDir, raised.Name, "wren", "the disk was lost"); err != nil {
		t.Fatal(err)
	}
	if err := s.once(); err != nil {
		t.Error(err)
	}
}

// TestForkShortOfTheCopy: of a source that was put back and has gone on, yet not so far
// as the copy, it is not said that it only lacks what comes after.
func TestForkShortOfTheCopy(t *testing.T) {
	s, _ := newPutBackSite(t, 5)
	s.send(1)
	f, log := s.following(), &shared{}
	f.Once, f.Log = true, slog.New(slog.NewTextHandler(log, nil))
	if err := collect.Follow(t.Context(), f); !errors.Is(err, audit.ErrAlarm) || !strings.Contains(err.Error(), trail.ErrRolledBack.Error()) {
		t.Fatal(err)
	}
	want := fmt.Sprintf(`msg="what the source has is not what the copy begins with" entries=%d`, s.head().Size)
	if !log.holds(want) || log.holds("its source lacks") {
		t.Errorf("it logs %s, want %s", log.String(), want)
	}
}
