package labtest

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// Rand gives a source of chance whose seed is printed when the test fails.
func Rand(t testing.TB) *rand.Rand {
	seed := rand.Uint64()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("labtest seed %d", seed)
		}
	})
	return Seeded(seed)
}

// Seeded gives the source of chance of one seed.
func Seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x7769746e657373)) }

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

// Finish makes the rig's next run.
func (g *Rig) Finish(shape Shape) Run {
	g.clock = g.clock.Add(time.Duration(g.rand.Int64N(int64(time.Hour))))
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
