package labtest

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"fmt"
	"hash/fnv"
	"io"
	"iter"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// SeedVariable holds the seed of all chance in the tests, a whole number; without
// it each run of a test draws one.
const SeedVariable = "WITNESSMARK_SEED"

// chance is what a test that runs has been given.
type chance struct{ seed, times uint64 }

var (
	given  = map[string]*chance{} // by the test's name
	giving sync.Mutex
)

func newChance() (*chance, error) {
	s, ok := os.LookupEnv(SeedVariable)
	if !ok {
		return &chance{seed: rand.Uint64()}, nil
	}
	seed, err := strconv.ParseUint(s, 10, 64)
	return &chance{seed: seed}, err
}

// Rand gives a source of chance that belongs to the test by its name, and tells
// how to have the same once more when the test fails.
func Rand(t testing.TB) *rand.Rand {
	giving.Lock()
	defer giving.Unlock()
	c := given[t.Name()]
	if c == nil {
		var err error
		if c, err = newChance(); err != nil {
			t.Fatalf("%s: %v", SeedVariable, err)
		}
		given[t.Name()] = c
		t.Cleanup(func() {
			if t.Failed() {
				t.Logf("the same chance again: %s=%d", SeedVariable, c.seed)
			}
			giving.Lock()
			defer giving.Unlock()
			delete(given, t.Name())
		})
	}
	c.times++
	name := fnv.New64a()
	fmt.Fprintf(name, "%s %d", t.Name(), c.times)
	return Seeded(c.seed ^ name.Sum64())
}

// Seeded gives the source of chance of one seed.
func Seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x7769746e657373)) }

// InOrder goes through a map in the order of its keys, so that those who draw for each
// of them draw the same with the same chance.
func InOrder[K cmp.Ordered, V any](m map[K]V) iter.Seq2[K, V] {
	return func(yield func(K, V) bool) {
		for _, k := range slices.Sorted(maps.Keys(m)) {
			if !yield(k, m[k]) {
				return
			}
		}
	}
}

// Rig is an invented test machine with a key and a clock.
type Rig struct {
	Name string
	Key  ed25519.PrivateKey

	rand  *rand.Rand
	clock time.Time
}

// NewRig makes a rig whose key and runs come from r.
func NewRig(name string, r *rand.Rand) *Rig {
	return &Rig{Name: name, Key: Key(r), rand: r, clock: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC)}
}

// Key makes an Ed25519 key.
func Key(r *rand.Rand) ed25519.PrivateKey {
	seed := make([]byte, ed25519.SeedSize)
	for i := range seed {
		seed[i] = byte(r.Uint32())
	}
	return ed25519.NewKeyFromSeed(seed)
}

// Run is a finished run: what was measured, signed, and its files.
type Run struct {
	*record.Run
	Signed record.Signed
	Data   [][]byte // in the order of Attachments
}

// Finish makes the rig's next run, which begins a second after the one before or
// later: ids are sorted by the second, so that they come in the order of its runs.
func (g *Rig) Finish(shape Shape) Run {
	g.clock = g.clock.Add(time.Second + time.Duration(g.rand.Int64N(int64(time.Hour))))
	run, data := shape.run(g.rand, g.Name, g.clock)
	return g.Sign(run, data)
}

// Sign encodes and signs a run, whose attachments must describe data.
func (g *Rig) Sign(run *record.Run, data [][]byte) Run {
	b, err := record.Encode(run)
	if err != nil {
		panic(fmt.Sprintf("labtest: a run that cannot be encoded: %v", err))
	}
	return Run{Run: run, Signed: record.Sign(b, g.Key), Data: data}
}

// Parts gives the attachments as a delivery sends them.
func (r Run) Parts() []deliver.Part {
	parts := make([]deliver.Part, len(r.Data))
	for i, open := range r.Openers() {
		parts[i] = deliver.Part{Attachment: r.Attachments[i], Open: open}
	}
	return parts
}

// Openers gives the attachments as a spool takes them.
func (r Run) Openers() []func() (io.ReadCloser, error) {
	open := make([]func() (io.ReadCloser, error), len(r.Data))
	for i, b := range r.Data {
		open[i] = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b)), nil }
	}
	return open
}

// Item gives the run as a spool keeps it.
func (r Run) Item(destination string) spool.Item {
	return spool.Item{ID: r.ID, Destination: destination, Signed: r.Signed, Attachments: r.Attachments}
}
