package play

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"iter"
	"math"
	"math/rand/v2"
	"time"

	"witnessmark/internal/capture"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// Key is the key of every played rig of that name. Anybody can make it: it says
// that runs belong together, not where they come from.
func Key(rig string) ed25519.PrivateKey {
	sum := sha256.Sum256([]byte("witnessmark played rig\n" + rig))
	return ed25519.NewKeyFromSeed(sum[:])
}

// Runs plays the block's runs in their order. It ends after the first error.
func (b *Block) Runs(ctx context.Context) iter.Seq2[labtest.Run, error] {
	return func(yield func(labtest.Run, error) bool) {
		for session := range b.Sessions {
			start, group := b.At.Add(time.Duration(session)*b.Every), ""
			for repeat := range b.Repeats {
				if ctx.Err() != nil {
					yield(labtest.Run{}, context.Cause(ctx))
					return
				}
				run, err := b.run(session, repeat, start, group)
				if !yield(run, err) || err != nil {
					return
				}
				if group == "" {
					group = run.ID
				}
				start = start.Add(run.Elapsed + b.Pause)
			}
		}
	}
}

// chance gives one of a run's independent sources of chance.
func (b *Block) chance(session, repeat int, of string) *rand.Rand {
	h := sha256.New()
	h.Write([]byte("witnessmark played " + of + "\n"))
	for _, n := range []int64{b.scenario.Seed, int64(b.Number), int64(session), int64(repeat)} {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(n)))
	}
	sum := h.Sum(nil)
	return rand.New(rand.NewPCG(binary.BigEndian.Uint64(sum), binary.BigEndian.Uint64(sum[8:])))
}

// run plays one run.
func (b *Block) run(session, repeat int, start time.Time, group string) (labtest.Run, error) {
	m := motion{workload: b.Workload, clock: b.clock, memory: b.state.memory, rate: b.Factor * math.Pow(b.Drift, float64(session*b.Repeats+repeat))}
	r := b.chance(session, repeat, "frames")
	m.leadIn = time.Duration(r.Float64() * float64(b.Workload.LeadIn))
	if b.LeadIn != nil {
		m.leadIn = *b.LeadIn
	}
	frames, elapsed := m.play(r)
	run := &record.Run{
		Rig: b.Rig.Name, Started: start, Elapsed: elapsed, Exit: record.Exit{Outcome: record.Finished},
		Signals: b.signals(session, repeat, elapsed), Played: b.played(),
	}
	run.Before, run.After = b.before(start.Sub(b.At), start), b.after(start.Sub(b.At), run)
	job := capture.Job{Workload: b.workload, Setup: b.setup, Group: group, Repeat: repeat + 1, Repeats: b.Repeats}
	data, _, _ := capture.Assemble(run, job, timingLog(frames)) // a refused log is for the record to say
	out, err := seal(run, data)
	if err != nil {
		return out, fault.New("play run", b.Name(), err)
	}
	return out, nil
}

// seal names the run after its own bytes and signs it.
func seal(run *record.Run, data [][]byte) (labtest.Run, error) {
	run.ID = record.NewID(run.Started, [5]byte{})
	blank, err := record.Encode(run)
	if err != nil {
		return labtest.Run{}, err
	}
	sum := sha256.Sum256(blank)
	run.ID = record.NewID(run.Started, [5]byte(sum[:5]))
	run.Group = cmp.Or(run.Group, run.ID)
	b, err := record.Encode(run)
	if err != nil {
		return labtest.Run{}, err
	}
	return labtest.Run{Run: run, Signed: record.Sign(b, Key(run.Rig)), Data: data}, nil
}

// clock is that of the block at a moment of a run, 0 where it is not known.
func (b *Block) clock(at time.Duration) float64 {
	if t := b.Throttle; t != nil && at >= t.After {
		return t.ClockMHz
	}
	return b.state.clock
}

// otherLoad is what others use when a block does not say, in percent. A design choice.
const otherLoad = 0.3

func (b *Block) signals(session, repeat int, elapsed time.Duration) []rig.Signal {
	d := during{
		rand: b.chance(session, repeat, "signals"), state: b.state, clock: b.clock, degrees: b.Temperature,
		other: otherLoad, throttled: -1, reference: b.state.top,
	}
	if b.OtherLoad != nil {
		d.other = *b.OtherLoad
	}
	if b.Throttle != nil {
		d.throttled = b.Throttle.After
	}
	passes := int(elapsed / pace)
	if b.stage.signals[passes] == nil {
		if len(b.stage.signals) > 16 {
			clear(b.stage.signals)
		}
		b.stage.signals[passes] = sampled(b.stage.tree, elapsed)
	}
	return d.invent(b.stage.signals[passes])
}

// before is the state that a run begins in, so long after its block began.
func (b *Block) before(since time.Duration, at time.Time) rig.Snapshot {
	s := rig.Snapshot{At: at, Facts: b.state.facts.Facts}
	return b.later(s, since)
}

// later lets the time since boot go on.
func (b *Block) later(s rig.Snapshot, by time.Duration) rig.Snapshot {
	if up, ok := s.Find("kernel.uptime"); ok && up.Read() {
		n, _ := up.Value.Number()
		up.Value = rig.NumberOf(math.Round(100*(n+by.Seconds())) / 100)
		return with(s, []rig.Fact{up})
	}
	return s
}

// after is the state that a run ends in: warmer, and throttled if it was.
func (b *Block) after(since time.Duration, run *record.Run) rig.Snapshot {
	s := b.later(rig.Snapshot{At: run.Started.Add(run.Elapsed), Facts: b.state.facts.Facts}, since+run.Elapsed)
	var moved []rig.Fact
	for _, sig := range run.Signals {
		f, ok := s.Find(sig.Key)
		if n := len(sig.Values); ok && f.Read() && n > 0 && sig.Unit == rig.Celsius && ofProcessor(sig.Key) {
			f.Value, f.Source = rig.NumberOf(sig.At(n-1)), madeUp+f.Source
			moved = append(moved, f)
		}
	}
	if f, ok := s.Find("cpu.throttle_count"); ok && f.Read() && b.Throttle != nil && b.Throttle.After < run.Elapsed {
		n, _ := f.Value.Number()
		f.Value, f.Source = rig.NumberOf(n+math.Ceil((run.Elapsed-b.Throttle.After).Seconds())), madeUp+f.Source
		moved = append(moved, f)
	}
	return with(s, moved)
}
