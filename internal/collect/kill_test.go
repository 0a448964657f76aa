package collect_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

func TestMain(m *testing.M) {
	labtest.Roles(map[string]func([]string) error{"collector": serve, "brim": serveToTheBrim, "rig": deliverUntilKilled, "opener": openOnce, "holder": hold, "copy": copyFrom, "rekeyer": rekeyUntilKilled, "rotate": rotateKilled})
	os.Exit(m.Run())
}

// serve is a collector on a port of its own, which it prints.
func serve(args []string) error {
	return collect.Serve(context.Background(), args[0], "127.0.0.1:0", labtest.Quiet(), func(address string) { fmt.Println(address) })
}

// bench is a rig whose runs end, are spooled and delivered, over and over. It
// stands for the agent from the moment its workload has ended.
type bench struct {
	name    string
	dir     string // logs of workloads
	spool   *spool.Spool
	ledger  *labtest.Ledger
	conn    *collect.Connection
	rand    *rand.Rand
	rig     *labtest.Rig
	closing bool // make no new runs, and end when nothing waits
}

// deliverUntilKilled plays a bench: NAME DIR ADDRESS SEED CLOSING COLLECTOR-DIR.
func deliverUntilKilled(args []string) error {
	seed, err := strconv.ParseUint(args[3], 10, 64)
	if err != nil {
		return err
	}
	b := bench{name: args[0], dir: args[1], rand: labtest.Seeded(seed), closing: args[4] == "closing"}
	b.rig = labtest.NewRig(b.name, b.rand)
	b.rig.Key = labtest.Key(labtest.Seeded(uint64(b.name[0]))) // the same in every life
	if b.ledger, err = labtest.OpenLedger(filepath.Join(b.dir, "ledger")); err != nil {
		return err
	}
	if b.spool, err = spool.Open(filepath.Join(b.dir, "spool")); err != nil {
		return err
	}
	for len(collect.Owner(args[5])()) == 0 { // before the collector's first start
		time.Sleep(10 * time.Millisecond)
	}
	if b.conn, err = collect.Dial(args[2], collect.Owner(args[5])); err != nil {
		return err
	}
	if err := b.ledger.Note("open", b.name); err != nil {
		return err
	}
	if err := b.adopt(); err != nil {
		return err
	}
	for {
		waiting, err := b.deliver()
		if err != nil || waiting == 0 && b.closing {
			return err
		}
		if waiting < 3 && !b.closing {
			if err := b.finish(); err != nil {
				return err
			}
		}
	}
}

// finish is a workload that ends: its log lies there and the draft tells of it.
// From "finished" on the run must come to the collector whatever happens.
func (b *bench) finish() error {
	run := b.rig.Finish(labtest.Shape{LogBytes: 1<<20 + b.rand.IntN(2<<20)})
	words := []any{run.ID, labtest.Sum(run.Signed.Bytes)}
	var files []spool.DraftFile
	for i, a := range run.Attachments {
		path := filepath.Join(b.dir, fmt.Sprintf("%s.%d", run.ID, i))
		if err := os.WriteFile(path, run.Data[i], 0o600); err != nil {
			return err
		}
		files = append(files, spool.DraftFile{Path: path, Name: a.Name, Kind: a.Kind})
		words = append(words, a.Name, labtest.Sum(run.Data[i]))
	}
	if err := b.ledger.Write(append([]any{"finishing"}, words...)...); err != nil {
		return err
	}
	d, err := b.spool.Begin(run.ID, "collector", run.Signed.Bytes, files, nil)
	if err != nil {
		return err
	}
	if err := b.ledger.Write("finished", run.ID); err != nil {
		return err
	}
	return b.put(d)
}

// put spools the run of a draft.
func (b *bench) put(d *spool.Draft) error {
	raw, err := d.SoFar()
	if err != nil {
		return err
	}
	run, err := record.Decode(raw)
	if err != nil {
		return err
	}
	var data [][]byte
	for _, f := range d.Files {
		content, err := os.ReadFile(f.Path)
		if err != nil {
			return err
		}
		data = append(data, content)
	}
	finished := labtest.Run{Run: run, Signed: record.Sign(raw, b.rig.Key), Data: data}
	if err := b.spool.Put(finished.Item("collector"), finished.Openers()); err != nil {
		return err
	}
	if err := b.ledger.Note("put", run.ID); err != nil {
		return err
	}
	for _, f := range d.Files {
		os.Remove(f.Path)
	}
	return d.End()
}

// adopt finishes the runs of a bench that was killed.
func (b *bench) adopt() error {
	drafts, err := b.spool.Orphans()
	if err != nil {
		return err
	}
	for _, d := range drafts {
		if err := b.ledger.Note("adopted", d.ID); err != nil {
			return err
		}
		if err := b.put(d); err != nil {
			return err
		}
	}
	return nil
}

// deliver offers everything that waits once.
func (b *bench) deliver() (waiting int, err error) {
	items, err := b.spool.Pending()
	if err != nil {
		return 0, err
	}
	for _, it := range items {
		parts := make([]deliver.Part, len(it.Attachments))
		for i, a := range it.Attachments {
			parts[i] = deliver.Part{Attachment: a, Open: func() (io.ReadCloser, error) {
				b.ledger.Note("sending", it.ID)
				return it.Part(i)
			}}
		}
		reply, err := deliver.Send(context.Background(), b.conn, it.Signed, parts)
		switch {
		case errors.Is(err, deliver.ErrUnreachable):
			b.ledger.Note("failed", it.ID)
			time.Sleep(time.Duration(b.rand.IntN(100)) * time.Millisecond)
			continue
		case err != nil:
			return 0, err
		}
		receipt, err := json.Marshal(reply.Receipt)
		if err != nil {
			return 0, err
		}
		if err := b.ledger.Write("kept", it.ID, reply.Receipt.Index); err != nil {
			return 0, err
		}
		if err := b.spool.Done(it.ID, receipt); err != nil {
			return 0, err
		}
		if err := b.ledger.Note("done", it.ID); err != nil {
			return 0, err
		}
	}
	items, err = b.spool.Pending()
	return len(items), err
}

// TestKilledAnywhere is the promise of the whole walk: the collector is killed at
// any moment of a delivery, the rig at any moment after its workload has ended,
// and the network cut; after restart every finished run is at the collector
// exactly once, its bytes the same.
func TestKilledAnywhere(t *testing.T) {
	deaths := 204
	if labtest.Race {
		deaths = 60
	}
	if testing.Short() {
		deaths = 24
	}
	l := &labour{t: t, base: t.TempDir(), rand: labtest.Rand(t), names: []string{"heron", "plover"}}
	l.proxy = labtest.NewProxy(t, l.budget)
	began := time.Now()
	var threads sync.WaitGroup
	stop := func() bool { return l.deaths() >= int64(deaths) || t.Failed() }
	threads.Go(func() { l.keepCollector(stop) })
	for _, name := range l.names {
		seed := l.chance(1 << 60)
		threads.Go(func() { l.keepRig(name, labtest.Seeded(uint64(seed)), stop) })
	}
	threads.Wait()
	killing := time.Since(began)
	cuts, passed := l.proxy.Counts()
	l.drain()
	runs, steps := l.check()
	t.Logf("%d kills in %.1f s: %d of the collector (%d within a delivery), %d of rigs (%d within a delivery); %d connections cut; %d MB sent; %d runs, all there once; steps %v",
		l.deaths(), killing.Seconds(), l.collectorDeaths.Load(), l.collectorMid.Load(), l.rigDeaths.Load(), l.rigMid.Load(), cuts, passed>>20, runs, steps)
	if int64(steps["open"]) < l.rigDeaths.Load()/2 {
		t.Skip("nothing was lost, but the machine is too slow for this to say much: most rigs were killed before they had begun")
	}
	if mid := l.collectorMid.Load() + l.rigMid.Load(); !testing.Short() && (mid < l.deaths()/4 || steps["adopted"] == 0 && !labtest.Race || runs < deaths/20) {
		t.Error("too few kills hit a delivery, or too few runs came through, for this to say much")
	}
}

// labour is one long struggle between benches and what kills them.
type labour struct {
	t     *testing.T
	base  string
	names []string
	proxy *labtest.Proxy

	mu   sync.Mutex
	rand *rand.Rand

	collectorDeaths, collectorMid, rigDeaths, rigMid atomic.Int64
}

func (l *labour) deaths() int64 { return l.collectorDeaths.Load() + l.rigDeaths.Load() }

// chance gives a random number below n to any goroutine.
func (l *labour) chance(n int64) int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.rand.Int64N(n)
}

// budget lets one connection in two live; the others are cut within a few logs.
func (l *labour) budget() int64 {
	if l.chance(2) == 0 {
		return -1
	}
	return l.chance(6 << 20)
}

func (l *labour) dir(name string) string { return filepath.Join(l.base, name) }

func (l *labour) keepCollector(stop func() bool) {
	for !stop() {
		c := labtest.Start(l.t, labtest.Role("collector", l.dir("collector")))
		address, ok := c.Line()
		if !ok {
			l.t.Errorf("the collector ended by itself: %v", c.Wait())
			return
		}
		l.proxy.Lead(address)
		l.pass(l.chance(8<<20), 10*time.Second)
		time.Sleep(time.Duration(l.chance(150)) * time.Millisecond) // to reading, judging and keeping
		mid := l.sending()
		if !c.KillAfter(0) {
			l.t.Errorf("the collector ended by itself: %v", c.Wait())
			return
		}
		l.proxy.Lead("")
		l.proxy.Cut()
		l.collectorDeaths.Add(1)
		l.collectorMid.Add(mid)
	}
}

// pass waits until so many bytes have passed the proxy, or for as long as most.
func (l *labour) pass(bytes int64, most time.Duration) {
	_, before := l.proxy.Counts()
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if _, now := l.proxy.Counts(); now-before >= bytes {
			return
		}
	}
}

// sending is 1 while any bench is within a delivery.
func (l *labour) sending() int64 {
	for _, name := range l.names {
		if l.state(name) == "sending" {
			return 1
		}
	}
	return 0
}

// state is the last thing that a bench wrote down.
func (l *labour) state(name string) string {
	f, err := os.Open(filepath.Join(l.dir(name), "ledger"))
	if err != nil {
		return ""
	}
	defer f.Close()
	end := make([]byte, 4096)
	if info, err := f.Stat(); err == nil {
		n, _ := f.ReadAt(end, max(0, info.Size()-int64(len(end))))
		end = end[:n]
	}
	lines := bytes.Split(bytes.TrimSpace(end), []byte("\n"))
	word, _, _ := bytes.Cut(lines[len(lines)-1], []byte(" "))
	return string(word)
}

func (l *labour) keepRig(name string, r *rand.Rand, stop func() bool) {
	if err := os.MkdirAll(l.dir(name), 0o700); err != nil {
		l.t.Error(err)
		return
	}
	for !stop() {
		c := labtest.Start(l.t, labtest.Role("rig", name, l.dir(name), l.proxy.Address(), fmt.Sprint(r.Uint64()), "working", l.dir("collector")))
		within := 100 * time.Millisecond
		if r.IntN(4) == 0 {
			c.AwaitLine("finished", 10*time.Second) // the workload's end is near, and the next life has to adopt the run
			within = 5 * time.Millisecond
		} else {
			c.Await(r.IntN(25), 10*time.Second) // that it is open, then each step it writes down
		}
		if !c.KillAfter(time.Duration(r.Int64N(int64(within)))) {
			l.t.Errorf("%s ended by itself: %v", name, c.Wait())
			return
		}
		l.rigDeaths.Add(1)
		if l.state(name) == "sending" {
			l.rigMid.Add(1)
		}
	}
}

// drain starts everything once more and lets it come to rest.
func (l *labour) drain() {
	c := labtest.Start(l.t, labtest.Role("collector", l.dir("collector")))
	address, ok := c.Line()
	if !ok {
		l.t.Fatalf("the collector ended by itself: %v", c.Wait())
	}
	for _, name := range l.names {
		rig := labtest.Start(l.t, labtest.Role("rig", name, l.dir(name), address, fmt.Sprint(l.chance(1<<60)), "closing", l.dir("collector")))
		if err := rig.Wait(); err != nil {
			l.t.Errorf("%s cannot deliver what is left: %v", name, err)
		}
	}
	c.Kill()
}

// check holds what is kept against what the benches wrote down.
func (l *labour) check() (runs int, steps map[string]int) {
	t := l.t
	steps = map[string]int{}
	a, err := collect.OpenArchive(l.dir("collector"), 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	kept := labtest.Kept(t, a)
	runs = len(kept)
	for _, name := range l.names {
		entries, err := labtest.ReadLedger(filepath.Join(l.dir(name), "ledger"))
		if err != nil {
			t.Fatal(err)
		}
		told := map[string][]string{}
		for _, e := range entries {
			steps[e[0]]++
			id := e[1]
			k, there := kept[id]
			switch e[0] {
			case "finishing":
				told[id] = e
			case "finished", "put", "kept":
				if !there {
					t.Errorf("run %s of %s was %s and is not at the collector", id, name, e[0])
				}
				if e[0] == "kept" && e[2] != fmt.Sprint(k.Receipt.Index) {
					t.Errorf("run %s: acknowledged at %s, kept at %d", id, e[2], k.Receipt.Index)
				}
			}
		}
		for id, e := range told {
			k, there := kept[id]
			if !there {
				continue // killed before its draft was on the disk
			}
			delete(kept, id)
			if k.Record != e[2] || len(k.Files) != (len(e)-3)/2 {
				t.Errorf("run %s of %s: the record or the number of its files differs", id, name)
			}
			for i := 3; i < len(e); i += 2 {
				if k.Files[e[i]] != e[i+1] {
					t.Errorf("run %s of %s: %s is not the file that the workload wrote", id, name, e[i])
				}
			}
		}
	}
	for id := range kept {
		t.Errorf("run %s is at the collector and was never finished", id)
	}
	return runs, steps
}
