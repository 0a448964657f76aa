package spool_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// spoolUntilKilled carries random runs from Begin to Done and writes down each
// step before and after; it finishes what it finds of its predecessors.
func spoolUntilKilled(args []string) error {
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
	fmt.Println("open")
	w := spooler{spool: s, ledger: l, stays: args[3] == "true"}
	orphans, err := s.Orphans()
	if err != nil {
		return err
	}
	for _, d := range orphans {
		if err := w.adopt(d); err != nil {
			return err
		}
	}
	r := labtest.Seeded(seed)
	heron := labtest.NewRig("heron", r)
	for {
		if err := w.carry(heron.Finish(labtest.Shape{LogBytes: r.IntN(60 << 10), Plain: true}), r.IntN(3) > 0); err != nil {
			return err
		}
	}
}

type spooler struct {
	spool  *spool.Spool
	ledger *labtest.Ledger
	stays  bool // in the midst of its first run, until it is killed
}

func (w spooler) carry(run labtest.Run, deliver bool) error {
	id, sum := run.ID, fmt.Sprintf("%x", run.Signed.SHA256())
	d, err := w.spool.Begin(id, "x", draftOf(id, 1), nil, nil)
	if err != nil {
		return err
	}
	w.ledger.Note("begun", id)
	if err := d.Update(draftOf(id, 2)); err != nil {
		return err
	}
	w.ledger.Note("updated", id)
	if w.stays {
		select {}
	}
	w.ledger.Note("putting", id, sum, fmt.Sprintf("%x", sha256.Sum256(run.Data[0])))
	if err := w.spool.Put(run.Item("x"), run.Openers()); err != nil {
		return err
	}
	w.ledger.Note("put", id)
	if err := d.End(); err != nil {
		return err
	}
	if !deliver {
		return nil
	}
	if err := w.spool.Done(id, []byte("receipt of "+id)); err != nil {
		return err
	}
	return w.ledger.Note("done", id)
}

// adopt ends a run of a process that was killed before it had put it. Killed
// before the end, it leaves the run to the next to take over.
func (w spooler) adopt(d *spool.Draft) error {
	if _, err := draftVersion(d); err != nil {
		return err
	}
	if err := w.ledger.Note("adopting", d.ID); err != nil {
		return err
	}
	if err := d.End(); err != nil {
		return err
	}
	return w.ledger.Note("adopted", d.ID)
}

// draftOf is a draft that shows whether it is whole.
func draftOf(id string, version byte) []byte {
	return bytes.Repeat(append([]byte(id), version), 500*int(version))
}

func draftVersion(d *spool.Draft) (byte, error) {
	b, err := d.SoFar()
	if err != nil {
		return 0, err
	}
	for v := byte(1); v <= 2; v++ {
		if bytes.Equal(b, draftOf(d.ID, v)) {
			return v, nil
		}
	}
	return 0, fmt.Errorf("the draft of %s is half written", d.ID)
}

// TestKilledSpooler kills processes that share a spool at random moments.
func TestKilledSpooler(t *testing.T) {
	rounds := 24
	if testing.Short() || labtest.Race {
		rounds = 8
	}
	base := t.TempDir()
	dir, ledger := filepath.Join(base, "spool"), filepath.Join(base, "ledger")
	r := labtest.Rand(t)
	kills := 0
	for round := range rounds {
		staying := round == rounds/2 // the first leaves a draft then, wherever the other kills hit
		var lives []*labtest.Child
		for i := range 2 {
			lives = append(lives, labtest.Start(t, labtest.Role("spooler", dir, ledger, fmt.Sprint(r.Uint64()), fmt.Sprint(staying && i == 0))))
		}
		for i, c := range lives {
			if staying && i == 0 {
				c.AwaitLine("updated", time.Minute)
			} else {
				c.Await(r.IntN(16), time.Minute) // that it is open, then each step
			}
			if !c.KillAfter(time.Duration(r.IntN(15)) * time.Millisecond) {
				t.Fatalf("a spooler ended by itself: %v", c.Wait())
			}
			kills++
		}
	}
	checkSpool(t, dir, ledger)
	t.Logf("%d kills", kills)
}

func checkSpool(t *testing.T, dir, ledger string) {
	entries, err := labtest.ReadLedger(ledger)
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]map[string][]string{}
	for _, e := range entries {
		if told[e[1]] == nil {
			told[e[1]] = map[string][]string{}
		}
		if told[e[1]][e[0]] != nil && e[0] != "adopting" {
			t.Errorf("%s twice for %s", e[0], e[1])
		}
		told[e[1]][e[0]] = e
	}
	s := open(t, dir)
	if l := litter(t, dir); l != nil {
		t.Errorf("not swept: %v", l)
	}
	items := pending(t, s)
	orphans, err := s.Orphans()
	if err != nil {
		t.Fatal(err)
	}
	drafts := map[string]bool{}
	for _, d := range orphans {
		v, err := draftVersion(d)
		if err != nil || v == 1 && told[d.ID]["updated"] != nil {
			t.Errorf("draft %s is of version %d: %v", d.ID, v, err)
		}
		drafts[d.ID] = true
	}
	counts := map[string]int{}
	for id, did := range told {
		it, isPending := items[id]
		receipt, err := s.Receipt(id)
		switch {
		case isPending && did["putting"] == nil || err == nil && did["put"] == nil:
			t.Errorf("run %s is there and was never put", id)
		case did["put"] != nil && !isPending && err != nil:
			t.Errorf("run %s was put and is gone", id)
		case did["done"] != nil && (isPending || string(receipt) != "receipt of "+id):
			t.Errorf("run %s was done: pending %v, receipt %q", id, isPending, receipt)
		case drafts[id] && (isPending || err == nil):
			t.Errorf("run %s is spooled and has a draft to be taken over", id)
		case did["adopted"] != nil && drafts[id] || did["adopting"] != nil && did["put"] != nil:
			t.Errorf("run %s was taken over and is still to be, or was put by the dead", id)
		case did["begun"] != nil && did["put"] == nil && did["adopting"] == nil && !isPending && !drafts[id]:
			t.Errorf("run %s was begun and nothing is left of it", id)
		}
		if isPending {
			checkBytes(t, it, did["putting"])
		}
		for step := range did {
			counts[step]++
		}
	}
	if full := !testing.Short() && !labtest.Race; counts["put"] == 0 || full && (counts["done"] == 0 || counts["adopted"] == 0) {
		t.Errorf("%v: the kills come too early to tell", counts)
	}
	t.Logf("%v, %d pending, %d drafts", counts, len(items), len(drafts))
}

func checkBytes(t *testing.T, it spool.Item, putting []string) {
	t.Helper()
	if _, err := record.Decode(it.Signed.Bytes); err != nil || fmt.Sprintf("%x", it.Signed.SHA256()) != putting[2] {
		t.Errorf("record of %s: %v", it.ID, err)
	}
	p, err := it.Part(0)
	if err != nil {
		t.Error(err)
		return
	}
	defer p.Close()
	h := sha256.New()
	if _, err := io.Copy(h, p); err != nil || fmt.Sprintf("%x", h.Sum(nil)) != putting[3] {
		t.Errorf("log of %s: %v", it.ID, err)
	}
}
