package collect_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/rig"
)

// follower collects what a FollowFlags gives.
type follower struct {
	mu   sync.Mutex
	news []answer.FlagNews
	at   *answer.Place
	end  chan error
	stop context.CancelFunc
}

// following begins at a place, nil for now, and returns once that is known.
func following(t testing.TB, conn grpc.ClientConnInterface, from *answer.Place) *follower {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	f := &follower{end: make(chan error, 1), stop: stop}
	begun := make(chan struct{}, 1)
	go func() {
		f.end <- answer.NewClient(conn).FollowFlags(ctx, from, func(g answer.Flagged) error {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.news = append(f.news, g.News()...)
			f.at = &g.Next
			select {
			case begun <- struct{}{}:
			default:
			}
			return nil
		})
	}()
	select {
	case <-begun:
	case err := <-f.end:
		t.Fatal(err)
	}
	return f
}

// until waits until the news say enough.
func (f *follower) until(t testing.TB, enough func([]answer.FlagNews) bool) []answer.FlagNews {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		f.mu.Lock()
		news := slices.Clone(f.news)
		f.mu.Unlock()
		if enough(news) {
			return news
		}
		if time.Now().After(end) {
			t.Fatalf("it did not come; this did: %+v", news)
		}
	}
}

func says(of, rigName string, k drift.Kind, fact rig.Key) func([]answer.FlagNews) bool {
	return func(news []answer.FlagNews) bool { return count(news, of, rigName, k, fact) > 0 }
}

func count(news []answer.FlagNews, of, rigName string, k drift.Kind, fact rig.Key) (n int) {
	for _, f := range news {
		if f.Of == of && f.Rig == rigName && f.Kind == k && f.Fact == fact {
			n++
		}
	}
	return n
}

// TestFlagsAsTheyCome: flags of rigs as they are now and of runs come to who
// follows, each once, and from any place again.
func TestFlagsAsTheyCome(t *testing.T) {
	c := labtest.NewCollector(t)
	heron := labtest.NewBeating("heron")
	hearFrom(t, c, heron)
	f := following(t, c, nil)
	heron.Reboot()
	heron.SetMemory(2400)
	hearFrom(t, c, heron)
	hearFrom(t, c, heron)
	f.until(t, says("rig", "heron", drift.Underrated, "memory.speed"))
	plover := labtest.NewRig("plover", labtest.Seeded(3))
	var flagged int
	for range 4 {
		run := plover.Finish(labtest.Shape{Plain: true, LogBytes: 900})
		reply, err := deliver.Send(t.Context(), c, run.Signed, run.Parts())
		if err != nil {
			t.Fatal(err)
		}
		flagged += len(reply.Judgement.Flags)
	}
	ofRuns := func(news []answer.FlagNews) (n int) {
		for _, f := range news {
			if f.Of == "run" {
				n++
			}
		}
		return n
	}
	if flagged < 2 {
		t.Fatalf("the runs have %d flags", flagged)
	}
	news := f.until(t, func(n []answer.FlagNews) bool { return ofRuns(n) == flagged })
	if n := count(news, "rig", "heron", drift.Underrated, "memory.speed"); n != 1 {
		t.Errorf("what is flagged of heron came %d times", n)
	}
	// Another value is news, and the same one after a while again is not.
	heron.SetMemory(2133)
	hearFrom(t, c, heron)
	f.until(t, func(n []answer.FlagNews) bool { return count(n, "rig", "heron", drift.Underrated, "memory.speed") == 2 })
	news = f.until(t, func([]answer.FlagNews) bool { return true })
	f.stop()
	for i := range news {
		at, err := answer.ParsePlace(news[i].Place)
		if err != nil {
			t.Fatal(err)
		}
		rest := following(t, c, &at)
		got := rest.until(t, func(n []answer.FlagNews) bool { return len(n) >= len(news)-i-1 })
		rest.stop()
		if !slices.Equal(places(got), places(news[i+1:])) && !sameFlags(got, news[i+1:]) {
			t.Fatalf("after %s come\n%v, and came\n%v", news[i].Place, places(got), places(news[i+1:]))
		}
	}
}

func places(news []answer.FlagNews) (out []string) {
	for _, n := range news {
		out = append(out, n.Place)
	}
	return out
}

// sameFlags compares without order: runs and rigs are two streams in one.
func sameFlags(a, b []answer.FlagNews) bool {
	words := func(news []answer.FlagNews) (out []string) {
		for _, n := range news {
			out = append(out, fmt.Sprint(n.Of, n.Rig, n.Run, n.Kind, n.Fact, n.Seen, n.Found))
		}
		slices.Sort(out)
		return out
	}
	return slices.Equal(words(a), words(b))
}

// TestSilentRigMeetsItsNewMark: a mark holds for a rig from its acceptance on,
// though it is not heard of again.
func TestSilentRigMeetsItsNewMark(t *testing.T) {
	c := labtest.NewCollector(t)
	ask := answer.NewClient(c)
	heron, lab := labtest.NewBeating("heron"), labtest.NewRig("heron", labtest.Seeded(5))
	hearFrom(t, c, heron)
	if b := beatOf(t, c, "heron"); b.Judgement.MarkRun != "" || raises(b.Judgement, drift.Moved, "memory.speed") {
		t.Fatalf("%+v", b)
	}
	came := beatOf(t, c, "heron").Came
	run := lab.Finish(labtest.Shape{Plain: true, LogBytes: 900})
	run.Run.Setup = nil
	run.Run.Before.Facts = []rig.Fact{{Key: "memory.speed", Value: rig.NumberOf(3600), Unit: rig.MTps, Source: "invented"}}
	run = lab.Sign(run.Run, run.Data)
	if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	f := following(t, c, nil)
	if _, _, err := ask.AcceptMark(t.Context(), run.ID, "keeper", "memory at its rated speed"); err != nil {
		t.Fatal(err)
	}
	b := beatOf(t, c, "heron")
	if b.Judgement.MarkRun != run.ID || !raises(b.Judgement, drift.Moved, "memory.speed") || len(b.Moved) != 1 || b.Moved[0].Against != "mark "+run.ID || !b.Came.Equal(came) {
		t.Errorf("%+v", b)
	}
	f.until(t, says("rig", "heron", drift.Moved, "memory.speed"))
}

// TestPlaceOfAnotherTrail is refused, and so is one that never came.
func TestPlaceOfAnotherTrail(t *testing.T) {
	c := labtest.NewCollector(t)
	for _, at := range []answer.Place{
		{Entry: 1, Finding: 1, Trail: answer.TrailOf(c.Archive.Origin())},
		{Finding: 2, Trail: answer.TrailOf(c.Archive.Origin())},
		{Trail: answer.TrailOf("another")},
	} {
		err := answer.NewClient(c).FollowFlags(t.Context(), &at, func(answer.Flagged) error { return nil })
		if !errors.Is(err, answer.ErrState) {
			t.Errorf("%v: %v", at, err)
		}
	}
}

// TestMissedFindings: what is no longer kept is counted, and said.
func TestMissedFindings(t *testing.T) {
	c := labtest.NewCollector(t)
	at := answer.Place{Finding: 1, Trail: answer.TrailOf(c.Archive.Origin())}
	many := make([][]byte, archive.MostNews+7)
	for i := range many {
		many[i] = []byte(`{"Rig":"heron","Judgement":{"Flags":[{"kind":"moved","fact":"memory.speed","weight":"void"}]}}`)
	}
	if err := c.Archive.SetBeats(nil, many); err != nil {
		t.Fatal(err)
	}
	news := following(t, c, &at).until(t, func(n []answer.FlagNews) bool { return len(n) > archive.MostNews })
	if news[0].Of != "missed" || news[0].Missed != 7 || news[0].Look == "" || len(news) != archive.MostNews+1 {
		t.Errorf("%d came, first %+v", len(news), news[0])
	}
}

// TestSlowFollowerHoldsNobody: one that reads nothing leaves beats and deliveries
// as they are, and the collector can stop.
func TestSlowFollowerHoldsNobody(t *testing.T) {
	c := labtest.NewCollector(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	begun, block, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		begin := sync.OnceFunc(func() { close(begun) })
		answer.NewClient(c).FollowFlags(ctx, nil, func(answer.Flagged) error { begin(); <-block; return nil })
	}()
	select { // else what follows may be of before, and nothing waits to be read
	case <-begun:
	case <-done:
		t.Fatal("it is not followed")
	}
	many := make([][]byte, 3000)
	for i := range many {
		many[i] = fmt.Appendf(nil, `{"Rig":"heron-%0200d","Judgement":{"Flags":[{"kind":"moved","fact":"memory.speed","weight":"void"}]}}`, i)
	}
	if err := c.Archive.SetBeats(nil, many); err != nil {
		t.Fatal(err)
	}
	heron := labtest.NewBeating("heron")
	lab := labtest.NewRig("heron", labtest.Seeded(5))
	for i := range 20 {
		heron.SetMemory(float64(2400 + i))
		hearFrom(t, c, heron)
		run := lab.Finish(labtest.Shape{Plain: true, LogBytes: 900})
		if _, err := deliver.Send(t.Context(), c, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
	}
	close(block)
	stop()
	<-done
}

// TestFlagsSurviveKills: a follower over connections that break and a collector
// that is killed gets every flag of every run once, and each finding about a rig
// in the order in which they were made.
func TestFlagsSurviveKills(t *testing.T) {
	r := labtest.Rand(t)
	dir := filepath.Join(t.TempDir(), "archive")
	proxy := labtest.NewProxy(t, func() int64 { return -1 })
	start := func() *labtest.Child {
		c := labtest.Start(t, labtest.Role("collector", dir))
		address, ok := c.Line()
		if !ok {
			t.Fatal("the collector did not start: ", c.Wait())
		}
		proxy.Lead(address)
		return c
	}
	child := start()
	conn, err := collect.Dial(proxy.Address(), collect.Owner(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	f := following(t, conn, nil)
	f.stop()
	<-f.end
	at := f.at
	var got []answer.FlagNews
	ctx, cancel := context.WithCancel(t.Context())
	followed := make(chan struct{})
	var mu sync.Mutex
	go func() {
		defer close(followed)
		for ctx.Err() == nil {
			err := answer.NewClient(conn).FollowFlags(ctx, at, func(g answer.Flagged) error {
				mu.Lock()
				defer mu.Unlock()
				got = append(got, g.News()...)
				at = &g.Next
				return nil
			})
			if !errors.Is(err, answer.ErrUnreachable) && ctx.Err() == nil {
				t.Error(err)
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	heron, lab := labtest.NewBeating("heron"), labtest.NewRig("heron", labtest.Seeded(r.Uint64()))
	want := map[string]int{} // flags of each run
	heard := 2400.0          // the memory's speed in the last beat
	for round := range 6 {
		for range 3 {
			heard++
			heron.SetMemory(heard)
			within, done := context.WithTimeout(ctx, 2*time.Minute)
			_ = heron.Send(within, conn) // one that is lost is not found
			run := lab.Finish(labtest.Shape{Plain: true, LogBytes: 900})
			for within.Err() == nil {
				if reply, err := deliver.Send(within, conn, run.Signed, run.Parts()); err == nil {
					want[run.ID] = len(reply.Judgement.Flags)
					break
				}
			}
			done()
		}
		if round < 5 {
			child.Kill()
			child = start()
		}
	}
	enough := func() bool {
		mu.Lock()
		defer mu.Unlock()
		n, memory := 0, rig.Value{}
		for _, g := range got {
			switch {
			case g.Of == "run":
				n++
			case g.Of == "rig" && g.Fact == "memory.speed":
				memory = g.Seen
			}
		}
		for _, k := range want {
			n -= k
		}
		return n >= 0 && memory == rig.NumberOf(heard) // what was found in the last life came, too
	}
	for end := time.Now().Add(time.Minute); !enough() && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
	}
	cancel()
	<-followed
	if len(want) != 18 {
		t.Errorf("%d runs were delivered", len(want))
	}
	have := map[string]int{}
	last := int64(0)
	for _, g := range got {
		p, err := answer.ParsePlace(g.Place)
		if err != nil {
			t.Fatal(err)
		}
		switch g.Of {
		case "run":
			have[g.Run]++
		case "rig":
			if p.Finding <= last {
				t.Errorf("finding %d came after %d", p.Finding-1, last-1)
			}
			last = p.Finding
		default:
			t.Errorf("%+v", g)
		}
	}
	for id, n := range want {
		if have[id] != n {
			t.Errorf("run %s has %d flags, %d came", id, n, have[id])
		}
	}
	if last == 0 {
		t.Error("nothing came of what the rig is now")
	}
}
