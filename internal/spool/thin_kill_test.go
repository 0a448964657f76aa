package spool_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// keyOfThinners is the one key of the rig that all thinners serve.
func keyOfThinners() *labtest.Rig { return labtest.NewRig("heron", labtest.Seeded(1)) }

// thinUntilKilled puts runs into a spool that is too small for them, so that the
// older ones are thinned all the time, and offers one now and then.
func thinUntilKilled(args []string) error {
	l, err := labtest.OpenLedger(args[1])
	if err != nil {
		return err
	}
	seed, err := strconv.ParseUint(args[2], 10, 64)
	if err != nil {
		return err
	}
	s, err := spool.Open(args[0])
	if err != nil {
		return err
	}
	r := labtest.Seeded(seed)
	heron := labtest.NewRig("heron", r)
	heron.Key = keyOfThinners().Key
	s.Limit(spool.Limits{Bytes: 150 << 10, Free: -1}, heron.Key)
	for {
		run := long(heron, r, 500+r.IntN(1500))
		if err := l.Note("putting", run.ID, restSum(run.Signed.Bytes), fmt.Sprintf("%x", sha256.Sum256(run.Data[0]))); err != nil {
			return err
		}
		if err := s.Put(run.Item("x"), run.Openers()); err != nil {
			return err
		}
		if err := l.Note("put", run.ID); err != nil {
			return err
		}
		s.Room() // full sooner or later, and then all is thinned
		if r.IntN(3) > 0 {
			continue
		}
		it, err := s.Offer(run.ID)
		if err != nil {
			return err
		}
		if err := l.Note("offered", run.ID, fmt.Sprintf("%x", it.Signed.SHA256())); err != nil {
			return err
		}
	}
}

// restSum is of all in a record that thinning may not change.
func restSum(b []byte) string {
	run, err := record.Decode(b)
	if err != nil {
		return err.Error()
	}
	run.Signals = nil
	for i, m := range run.Remarks {
		if strings.HasPrefix(m, "the spool was full") {
			run.Remarks = run.Remarks[:i]
			break
		}
	}
	if b, err = record.Encode(run); err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%x", sha256.Sum256(b))
}

// TestKilledThinner kills processes that thin one spool at random moments: every
// run that was put is there once, whole, signed, and with all but its signals;
// what was offered is what was offered.
func TestKilledThinner(t *testing.T) {
	rounds := 10
	if testing.Short() || labtest.Race {
		rounds = 3
	}
	base := t.TempDir()
	dir, ledger := filepath.Join(base, "spool"), filepath.Join(base, "ledger")
	r := labtest.Rand(t)
	for round := 0; round < rounds || puts(t, ledger) < 15 && round < 100; round++ { // by then some are thinned
		var lives []*labtest.Child
		for range 2 {
			lives = append(lives, labtest.Start(t, labtest.Role("thinner", dir, ledger, fmt.Sprint(r.Uint64()))))
		}
		for _, c := range lives {
			c.Await(1+r.IntN(8), time.Minute)
			if !c.KillAfter(time.Duration(r.IntN(30)) * time.Millisecond) {
				t.Fatalf("a thinner ended by itself: %v", c.Wait())
			}
		}
	}
	entries, err := labtest.ReadLedger(ledger)
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, dir) // sweeps
	items := pending(t, s)
	putting, put, offered, thinned := map[string][]string{}, 0, 0, 0
	for _, e := range entries {
		it, there := items[e[1]]
		switch e[0] {
		case "putting":
			putting[e[1]] = e
			continue
		case "put":
			put++
			if !there {
				t.Errorf("%s was put and is gone", e[1])
				continue
			}
		case "offered":
			offered++
			if fmt.Sprintf("%x", it.Signed.SHA256()) != e[2] {
				t.Errorf("%s was changed after it was offered", e[1])
			}
			continue
		}
		thinned += checkWhole(t, dir, it, putting[e[1]])
	}
	if len(items) < put || put == 0 || thinned == 0 {
		t.Errorf("%d wait, %d were put, %d are thinned", len(items), put, thinned)
	}
	t.Logf("%d put, %d offered, %d thinned", put, offered, thinned)
}

// puts counts the runs that a ledger says were put.
func puts(t *testing.T, ledger string) (n int) {
	t.Helper()
	entries, err := labtest.ReadLedger(ledger)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e[0] == "put" {
			n++
		}
	}
	return n
}

// checkWhole holds a run against what was to be put, and counts it if it was
// thinned.
func checkWhole(t *testing.T, dir string, it spool.Item, putting []string) (thinned int) {
	t.Helper()
	if got := restSum(it.Signed.Bytes); got != putting[2] || it.Signed.Verify() != nil {
		t.Errorf("%s is not what was put: %s", it.ID, got)
	}
	names, err := os.ReadDir(filepath.Join(dir, "ready", it.ID))
	if err != nil {
		t.Fatal(err)
	}
	records := 0
	for _, n := range names {
		if strings.HasPrefix(n.Name(), ".") {
			t.Errorf("not swept: %s", n.Name())
		}
		if strings.HasPrefix(n.Name(), "record") {
			records++
		}
	}
	if records != 1 {
		t.Errorf("%s has %d records", it.ID, records)
	}
	p, err := it.Part(0)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(p); err != nil || fmt.Sprintf("%x", sha256.Sum256(b.Bytes())) != putting[3] {
		t.Errorf("the log of %s is not what was put: %v", it.ID, err)
	}
	if bytes.Contains(it.Signed.Bytes, []byte("the spool was full")) {
		thinned = 1
	}
	return thinned
}
