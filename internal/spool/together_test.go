package spool_test

import (
	"errors"
	"runtime"
	"sync"
	"testing"

	"witnessmark/internal/labtest"
	"witnessmark/internal/spool"
)

// TestOrphansOnce has many processes look at once.
func TestOrphansOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	const drafts = 30
	for range drafts {
		d, err := s.Begin(heron.Finish(labtest.Shape{}).ID, "x", []byte("so far"), nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		d.Release()
	}
	var mu sync.Mutex
	taken := map[string]int{}
	var held []*spool.Draft // a draft that is forgotten is let go by the garbage collector
	defer func() { runtime.KeepAlive(held) }()
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			s, err := spool.Open(dir)
			if err != nil {
				t.Error(err)
				return
			}
			for range 5 {
				got, err := s.Orphans()
				if err != nil {
					t.Error(err)
				}
				for i, d := range got {
					mu.Lock()
					taken[d.ID]++
					held = append(held, d)
					mu.Unlock()
					if i%2 == 0 {
						if err := d.End(); err != nil {
							t.Error(err)
						}
					}
				}
			}
		})
	}
	wg.Wait()
	if len(taken) != drafts {
		t.Errorf("%d of %d taken over", len(taken), drafts)
	}
	for id, n := range taken {
		if n != 1 {
			t.Errorf("%s taken over %d times", id, n)
		}
	}
}

// TestSweepLeavesTheLivingAlone opens, and so sweeps, without end while others
// put, begin and end runs.
func TestSweepLeavesTheLivingAlone(t *testing.T) {
	dir := t.TempDir()
	open(t, dir)
	r := labtest.Rand(t)
	stop := make(chan struct{})
	var sweepers, workers sync.WaitGroup
	for range 3 {
		sweepers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				if _, err := spool.Open(dir); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range 4 {
		g := labtest.NewRig("heron", labtest.Seeded(r.Uint64()))
		workers.Go(func() {
			s, err := spool.Open(dir)
			if err != nil {
				t.Error(err)
				return
			}
			for range 8 {
				run := g.Finish(labtest.Shape{})
				d, err := s.Begin(run.ID, "x", run.Signed.Bytes, nil, nil)
				if err != nil {
					t.Error(err)
					return
				}
				if err := errors.Join(d.Update([]byte("x")), s.Put(run.Item("x"), run.Openers()), d.End(), s.Done(run.ID, nil)); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	workers.Wait()
	close(stop)
	sweepers.Wait()
	if l, p := litter(t, dir), pending(t, open(t, dir)); l != nil || len(p) != 0 {
		t.Errorf("%v %v", l, p)
	}
}
