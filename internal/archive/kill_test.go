package archive_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// keepUntilKilled keeps random runs from several goroutines, each told to the
// ledger before and after.
func keepUntilKilled(args []string) error {
	a, err := archive.Open(args[0], options())
	if err != nil {
		return err
	}
	l, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	seed, err := strconv.ParseUint(args[2], 10, 64)
	if err != nil {
		return err
	}
	fmt.Println("open")
	failed := make(chan error)
	for w := range uint64(4) {
		r := labtest.Seeded(seed + w)
		g := labtest.NewRig(fmt.Sprint("rig", w), r)
		go func() {
			for {
				run := g.Finish(labtest.Shape{LogBytes: r.IntN(60 << 10), Plain: true})
				if _, err := a.Keep(context.Background(), keeping(run)); err != nil {
					failed <- err
				}
				if err := l.Note("kept", run.ID, fmt.Sprintf("%x", run.Signed.SHA256()), fmt.Sprintf("%x", sha256.Sum256(run.Data[0])), run.Attachments[0].Name); err != nil {
					failed <- err
				}
			}
		}()
	}
	return <-failed
}

func TestKilledKeeper(t *testing.T) {
	kills := 40
	if testing.Short() || labtest.Race {
		kills = 10
	}
	dir := t.TempDir()
	path, ledger := filepath.Join(dir, "archive.db"), filepath.Join(dir, "ledger")
	r := labtest.Rand(t)
	for range kills {
		c := labtest.Start(t, labtest.Role("keeper", path, ledger, fmt.Sprint(r.Uint64())))
		c.Await(r.IntN(20), time.Minute) // that it is open, then each run kept
		if !c.KillAfter(time.Duration(r.IntN(20)) * time.Millisecond) {
			t.Fatal("the keeper ended by itself")
		}
	}
	a := open(t, path)
	n, err := a.Check(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	entries, err := labtest.ReadLedger(ledger)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		st, err := a.Run(e[1])
		if err != nil || fmt.Sprintf("%x", st.Signed.SHA256()) != e[2] {
			t.Fatalf("acknowledged run %s: %v", e[1], err)
		}
		if b, err := a.Part(e[1], e[4]); err != nil || fmt.Sprintf("%x", sha256.Sum256(b)) != e[3] {
			t.Fatalf("log of acknowledged run %s: %v", e[1], err)
		}
	}
	// What is kept and not acknowledged is at most what was on its way at each kill.
	if most := len(entries) + 4*kills; n.Runs > most || int64(n.Runs) != n.Entries {
		t.Errorf("%+v, at most %d", n, most)
	}
	if len(entries) < kills/2 {
		t.Errorf("only %d runs acknowledged in %d lives: the kills come too early to tell", len(entries), kills)
	}
	if err := a.Close(); err != nil && !errors.Is(err, archive.ErrClosed) {
		t.Error(err)
	}
	t.Logf("%d kills, %d runs acknowledged, %d kept", kills, len(entries), n.Runs)
}
