package collect_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// soaker is a rig that beats and delivers without a pause.
type soaker struct {
	conn     *collect.Connection
	beating  *labtest.Beating
	rig      *labtest.Rig
	rand     *rand.Rand
	finished map[string][32]byte // every run that ended, by id
	waiting  *labtest.Run
	beats    int // that were answered
}

// once beats, and delivers the run that waits, or the next.
func (s *soaker) once(ctx context.Context, fresh bool) error {
	s.beating.SetMemory([]float64{3200, 3200, 2400}[s.rand.IntN(3)])
	err := s.beating.Send(ctx, s.conn)
	if err == nil {
		s.beats++
	}
	if s.waiting == nil && fresh {
		run := s.rig.Finish(labtest.Shape{LogBytes: 1000 + s.rand.IntN(30_000), Plain: true})
		s.waiting, s.finished[run.ID] = &run, run.Signed.SHA256()
	}
	if s.waiting == nil {
		return err
	}
	_, bad := deliver.Send(ctx, s.conn, s.waiting.Signed, s.waiting.Parts())
	if bad == nil {
		s.waiting = nil
	}
	return errors.Join(err, bad)
}

// until works until ctx ends, or with fresh false until all is delivered.
func (s *soaker) until(ctx context.Context, fresh bool) error {
	for ctx.Err() == nil {
		trying, cancel := context.WithTimeout(ctx, 20*time.Second)
		err := s.once(trying, fresh)
		cancel()
		switch {
		case errors.Is(err, deliver.ErrRefused):
			return err
		case err == nil && !fresh && s.waiting == nil:
			return nil
		}
		pause := 100 * time.Millisecond
		if err == nil {
			pause = 300 * time.Millisecond
		}
		time.Sleep(pause + time.Duration(s.rand.IntN(100))*time.Millisecond)
	}
	return nil
}

// anonymous gives a process's own memory in KiB. Pages of the archive that are
// mapped count as resident too, and come and go as the kernel likes.
func anonymous(pid int) (kib int) {
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	_, rest, _ := strings.Cut(string(b), "RssAnon:")
	fmt.Sscan(rest, &kib)
	return kib
}

// TestSoak has 50 rigs beat and deliver, and a real agent take logs from a folder,
// while both it and the collector are killed and started again and connections are
// cut: every finished run and every log is there exactly once, and nothing else.
// WITNESSMARK_SOAK says how long; from two minutes on what the collector and the agent
// keep alive in memory is held flat, too.
func TestSoak(t *testing.T) {
	length := 8 * time.Second
	if s := os.Getenv("WITNESSMARK_SOAK"); s != "" {
		var err error
		if length, err = time.ParseDuration(s); err != nil {
			t.Fatal(err)
		}
	}
	r := labtest.Rand(t)
	dir := filepath.Join(t.TempDir(), "archive")
	chance := labtest.Seeded(r.Uint64())
	var lock sync.Mutex
	proxy := labtest.NewProxy(t, func() int64 {
		lock.Lock()
		defer lock.Unlock()
		if chance.IntN(3) == 0 {
			return -1
		}
		return 20_000 + chance.Int64N(400_000)
	})
	var heap collections
	start := func() *labtest.Child {
		heap.rests()
		c := labtest.Start(t, heap.traced(labtest.Role("collector", dir)))
		address, ok := c.Line()
		if !ok {
			t.Fatal("the collector did not start: ", c.Wait())
		}
		proxy.Lead(address)
		return c
	}
	first := labtest.Start(t, labtest.Role("collector", dir))
	address, ok := first.Line()
	if !ok {
		t.Fatal("the collector did not start: ", first.Wait())
	}
	owner := labtest.DialOwner(t, address, dir)
	var rigs []*soaker
	for i := range 50 {
		name := fmt.Sprintf("dome-%02d", i)
		g := labtest.NewRig(name, labtest.Seeded(r.Uint64()))
		id := labtest.Enrol(t, owner, trust.Member{Role: trust.Rig, Name: name}, g.Key)
		rigs = append(rigs, &soaker{conn: labtest.DialAs(t, proxy.Address(), id), beating: labtest.NewBeating(name), rig: g,
			rand: labtest.Seeded(r.Uint64()), finished: map[string][32]byte{}})
	}
	mind := newMinder(t, labtest.Seeded(r.Uint64()), proxy.Address())
	mind.enrol(t, owner)
	first.Kill()
	work := func(ctx context.Context, fresh bool) *sync.WaitGroup {
		var all sync.WaitGroup
		for _, s := range rigs {
			all.Go(func() {
				if err := s.until(ctx, fresh); err != nil {
					t.Error(err)
				}
			})
		}
		return &all
	}
	ctx, cancel := context.WithTimeout(context.Background(), length)
	defer cancel()
	all := work(ctx, true)
	all.Go(func() { mind.until(ctx, length) })
	began, lives := time.Now(), 0
	thirds := make([][]int, 3)
	for ctx.Err() == nil {
		c := start()
		heap.counts(began, length, collectorWarm)
		lives++
		life := time.After(time.Second + time.Duration(r.Int64N(int64(min(length/3, 8*time.Second)))))
		most := 0
		for alive := true; alive; {
			select {
			case <-life:
				alive = false
			case <-ctx.Done():
				alive = false
			case <-time.After(100 * time.Millisecond):
				most = max(most, anonymous(c.Pid()))
				if r.IntN(20) == 0 {
					proxy.Cut()
				}
			}
		}
		i := min(2, int(3*time.Since(began)/length))
		thirds[i] = append(thirds[i], most)
		c.Kill()
	}
	all.Wait()
	last := start()
	end, stop := context.WithTimeout(context.Background(), 5*time.Minute)
	defer stop()
	work(end, false).Wait()
	want, beats := map[string][32]byte{}, 0
	for _, s := range rigs {
		if s.waiting != nil {
			t.Errorf("run %s was not delivered", s.waiting.ID)
		}
		for id, sum := range s.finished {
			want[id] = sum
		}
		beats += s.beats
	}
	book := labtest.DialOwner(t, proxy.Address(), dir)
	mind.settle(end, book)
	heldAgainst(t, end, book, want)
	last.Kill()
	a, err := collect.OpenArchive(dir, 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := a.Check(context.Background()); err != nil {
		t.Error(err)
	}
	agents, collectors := mind.heap.alive(), heap.alive()
	t.Logf("%d logs landed, %d lives of the agent; its KiB by thirds: %d, %d, %d; MB alive: %.2f", len(mind.landed), mind.lives, middle(mind.thirds[0]), middle(mind.thirds[1]), middle(mind.thirds[2]), agents)
	cuts, bytes := proxy.Counts()
	t.Logf("%d runs, %d beats answered, %d lives of the collector, %d connections cut, %d MB; KiB at most in each life, by thirds: %v; MB alive: %.2f", len(want), beats, lives, cuts, bytes>>20, thirds, collectors)
	if length >= 2*time.Minute && !labtest.Race {
		for who, alive := range map[string][3]float64{"the agent": agents, "the collector": collectors} {
			if alive[1] == 0 || alive[2] > 1.10*alive[1] {
				t.Errorf("what %s keeps alive grew from %.2f to %.2f MB", who, alive[1], alive[2])
			}
		}
	}
}

// heldAgainst lists what the collector has, and holds it against what ended.
func heldAgainst(t *testing.T, ctx context.Context, conn *collect.Connection, want map[string][32]byte) {
	var err error
	var got map[string]int
	for ctx.Err() == nil { // the proxy cuts this one, too
		got = map[string]int{}
		err = answer.NewClient(conn).Runs(ctx, answer.Query{}, func(s answer.Summary) error {
			if s.Rig == minded {
				return nil
			}
			got[s.ID]++
			if want[s.ID] != s.RecordSHA256 {
				t.Errorf("run %s is not what ended", s.ID)
			}
			return nil
		})
		if err == nil {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	for id := range want {
		if got[id] != 1 {
			t.Errorf("run %s is there %d times", id, got[id])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d runs are there, %d ended", len(got), len(want))
	}
}

func middle(v []int) int {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}
