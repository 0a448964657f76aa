package collect_test

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// workshop is a served collector with the rigs heron and plover, the analyst
// swift and the keeper wren.
type workshop struct {
	dir, address string
	owner        *collect.Connection
	counts       *prometheus.Registry
	heron        *labtest.Rig
	plover       *labtest.Rig
	ids          map[string]trust.Identity
}

func newWorkshop(t *testing.T, opts ...collect.Option) *workshop {
	t.Helper()
	r := labtest.Rand(t)
	w := &workshop{dir: filepath.Join(t.TempDir(), "archive"), counts: prometheus.NewRegistry(), ids: map[string]trust.Identity{}}
	w.address, _ = labtest.Serve(t, w.dir, append(opts, collect.WithMetrics(w.counts))...)
	w.owner = labtest.DialOwner(t, w.address, w.dir)
	w.heron, w.plover = labtest.NewRig("heron", r), labtest.NewRig("plover", r)
	for m, key := range map[trust.Member]ed25519.PrivateKey{
		{Role: trust.Rig, Name: "heron"}: w.heron.Key, {Role: trust.Rig, Name: "plover"}: w.plover.Key,
		{Role: trust.Analyst, Name: "swift"}: labtest.Key(r), {Role: trust.Keeper, Name: "wren"}: labtest.Key(r),
	} {
		w.ids[m.Name] = labtest.Enrol(t, w.owner, m, key)
	}
	return w
}

func (w *workshop) as(t *testing.T, name string) *collect.Connection {
	t.Helper()
	return labtest.DialAs(t, w.address, w.ids[name])
}

// refusals gives how often something was refused for a reason.
func (w *workshop) refusals(t *testing.T, reason string) (n float64) {
	t.Helper()
	families, err := w.counts.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if f.GetName() == "witnessmark_collector_refusals_total" && l.GetValue() == reason {
					n += m.GetCounter().GetValue()
				}
			}
		}
	}
	return n
}

func (w *workshop) tokenFor(t *testing.T, m trust.Member, life time.Duration) trust.Token {
	t.Helper()
	return labtest.Token(t, w.owner, m, life)
}

// join tries a token with a new key.
func (w *workshop) join(t *testing.T, tok trust.Token) error {
	t.Helper()
	conn, err := collect.DialToJoin(w.address, tok.Authority)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_, err = enrol.Join(context.Background(), conn, w.address, tok, labtest.Key(labtest.Rand(t)))
	return err
}

// refused has one thing be tried ten times while plover delivers: each time it is
// refused with one line that says so, and counted; plover notices nothing, and no
// memory is held for it.
func (w *workshop) refused(t *testing.T, reason, says string, try func() error) {
	t.Helper()
	plover := w.as(t, "plover")
	before, heap := w.refusals(t, reason), heapNow()
	ctx, stop := context.WithCancel(context.Background())
	var other sync.WaitGroup
	kept := 0
	other.Go(func() {
		for first := true; first || ctx.Err() == nil; first = false {
			run := w.plover.Finish(labtest.Shape{LogBytes: 10 << 10})
			if _, err := deliver.Send(context.Background(), plover, run.Signed, run.Parts()); err != nil {
				t.Errorf("meanwhile plover could not deliver: %v", err)
				return
			}
			kept++
		}
	})
	const times = 10
	for range times {
		err := try()
		if err == nil || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("it says %v, and should say %q", err, says)
		}
	}
	stop()
	other.Wait()
	var counted float64
	insist(t, "have them counted", func(context.Context) error { // which is done when the answer has left
		if counted = w.refusals(t, reason) - before; counted < times {
			return fmt.Errorf("%v of %d are", counted, times)
		}
		return nil
	})
	if counted > times && reason != "handshake" { // gRPC shakes hands again by itself
		t.Errorf("%v refusals were counted as %s, and there were %d", counted, reason, times)
	}
	if grown := heapNow() - heap; grown > 32<<20 {
		t.Errorf("%d bytes are held after it", grown)
	}
	if kept == 0 {
		t.Error("plover delivered nothing")
	}
}

func heapNow() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
