package collect_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
)

// hourly is a source whose clock a test moves, and whose disk it puts back.
type hourly struct {
	grpc.ClientConnInterface
	*archive.Archive
	stop func()
}

func newHourly(t testing.TB, path string, clock *labtest.Clock) *hourly {
	t.Helper()
	a, err := archive.Open(path, archive.Options{Key: labtest.Key(labtest.Seeded(7)), Origin: "collector.dome.example/trail", Now: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	srv := collect.New(a, clock.Now, labtest.Quiet()).Server(deliver.DefaultLimits)
	return &hourly{labtest.Connect(t, srv), a, func() {
		srv.Stop()
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}}
}

// TestDiskPutBackOneHour: over two hours rigs deliver and a copy follows; then the
// source's disk is what it was one hour ago. The follower, and each rig that has
// delivered since, say that the trail was rolled back, and name both heads, and when
// each was seen. What was lost the copy has.
func TestDiskPutBackOneHour(t *testing.T) {
	clock, root := labtest.NewClock(), t.TempDir()
	path := filepath.Join(root, "archive.db")
	source := newHourly(t, path, clock)
	start, err := follow.Ask(t.Context(), source, "source")
	if err != nil {
		t.Fatal(err)
	}
	copied, err := archive.OpenFollowing(filepath.Join(root, "copy.db"), start.Line.Present(), start.Empty, archive.Options{Now: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer copied.Close()
	auditor := func(who string) *audit.Auditor {
		a, err := audit.Open(filepath.Join(root, who), clock.Now)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	f := &follow.Follower{Source: theCollector, Copy: copied, Auditor: auditor("follower"), Limits: deliver.DefaultLimits, Once: true}
	send := func(rig *labtest.Rig) {
		t.Helper()
		met, err := auditor(rig.Name).Meet(t.Context(), source, theCollector)
		if err != nil {
			t.Fatal(err)
		}
		run := rig.Finish(labtest.Shape{Bare: true, Plain: true})
		if _, err := met.Send(t.Context(), run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
	}
	heron, plover := labtest.NewRig("heron", labtest.Rand(t)), labtest.NewRig("plover", labtest.Rand(t))
	const step = 10 * time.Minute
	begin, last := clock.Now(), clock.Now()
	saved := map[time.Time]string{}
	for ; clock.Now().Sub(begin) <= 2*time.Hour; clock.Advance(step) {
		if clock.Now().Sub(begin) < 30*time.Minute {
			send(plover)
		}
		send(heron)
		last = clock.Now()
		if err := f.Follow(t.Context(), source); err != nil {
			t.Fatal(err)
		}
		source.stop()
		saved[clock.Now()] = fmt.Sprint(path, ".", len(saved))
		copyTo(t, path, saved[clock.Now()])
		source = newHourly(t, path, clock)
	}
	before, _, err := source.Head()
	if err != nil {
		t.Fatal(err)
	}
	source.stop()
	hourAgo := clock.Now().Add(-time.Hour)
	if saved[hourAgo] == "" {
		t.Fatal("nothing was saved then")
	}
	if err := errors.Join(os.Remove(path), os.Rename(saved[hourAgo], path)); err != nil {
		t.Fatal(err)
	}
	source = newHourly(t, path, clock)
	defer func() { source.stop() }()
	now, _, err := source.Head()
	if err != nil || now.Size >= before.Size {
		t.Fatalf("%v after %v, %v", now, before, err)
	}
	rolledBack := func(who string, err error) {
		t.Helper()
		want := fmt.Sprintf("the trail was rolled back: seen %d %v on %s, now %d %v on %s",
			before.Size, before.Root, last.Format(time.DateTime), now.Size, now.Root, clock.Now().Format(time.DateTime))
		if !errors.Is(err, audit.ErrAlarm) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", who, err, want)
		}
	}
	rolledBack("the follower", f.Follow(t.Context(), source))
	_, err = auditor("heron").Meet(t.Context(), source, theCollector)
	rolledBack("heron", err)
	// The trail has all that plover has seen of it, who has no reason for an alarm.
	if _, err := auditor("plover").Meet(context.Background(), source, theCollector); err != nil {
		t.Errorf("plover, who saw no more than there is: %v", err)
	}
	for i := now.Size; i < before.Size; i++ {
		if e, err := copied.CopyEntry(i); err != nil || !e.Entry.At.After(hourAgo) || e.Entry.At.After(last) {
			t.Errorf("entry %d is of %v, and the disk was put back to %v: %v", i, e.Entry.At, hourAgo, err)
		}
	}
	labtest.Kept(t, copied)
}
