package labtest

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/deliver"
	"witnessmark/internal/rig"
)

// Beating is a rig that beats, with clocks that only its beats move: as many as a
// test likes, at once, as fast as they are answered. Its methods may not be called
// at the same time.
type Beating struct {
	deliver.Beat // what the next beat says; change it as you like, Facts by Set
	Last         deliver.BeatReply
	Asked        int // how often whole facts were wanted

	facts []rig.Fact
	pulse deliver.Pulse
	boots int
}

// NewBeating makes a rig that has booted an hour ago, with memory at its rated
// speed of 3200 MT/s.
func NewBeating(name string) *Beating {
	g := &Beating{Beat: deliver.Beat{
		Rig: name, SinceBoot: time.Hour, Wall: time.Date(2031, 3, 2, 9, 0, 0, 0, time.UTC), Every: 10 * time.Second, Agent: "0.1.0",
	}}
	g.Boot = name + "-boot-0"
	for _, f := range []rig.Fact{
		{Key: "machine.virtual", Value: rig.TruthOf(false)},
		{Key: "cpu.model", Value: rig.TextOf("Dome 8")}, {Key: "cpu.cores", Value: rig.NumberOf(8)},
		{Key: "cpu.threads", Value: rig.NumberOf(8)}, {Key: "cpu.offline", Value: rig.TextOf("none")},
		{Key: "cpu.governor", Value: rig.TextOf("performance")}, {Key: "memory.modules", Value: rig.NumberOf(2)},
		{Key: "memory.rated_speed", Value: rig.NumberOf(3200), Unit: rig.MTps}, {Key: "memory.speed", Value: rig.NumberOf(3200), Unit: rig.MTps},
	} {
		g.Set(f)
	}
	return g
}

// Set gives a fact another reading.
func (g *Beating) Set(f rig.Fact) {
	if f.Source == "" {
		f.Source = "invented"
	}
	g.facts = append([]rig.Fact{f}, g.facts...)
	all := rig.NewSnapshot(g.Wall, g.facts) // of two with one key the first stays
	g.facts, g.Facts = all.Facts, deliver.Lasting(all)
}

// SetMemory sets the speed of memory, as a firmware reset does.
func (g *Beating) SetMemory(mtps float64) {
	g.Set(rig.Fact{Key: "memory.speed", Value: rig.NumberOf(mtps), Unit: rig.MTps})
}

// Reboot ends the boot and the agent with it.
func (g *Beating) Reboot() {
	g.boots++
	g.Boot = fmt.Sprintf("%s-boot-%d", g.Rig, g.boots)
	g.SinceBoot, g.Wall, g.pulse = 20*time.Second, g.Wall.Add(time.Minute), deliver.Pulse{}
}

// Next gives the next beat, ten seconds after the last.
func (g *Beating) Next() deliver.Beat {
	g.SinceBoot, g.Wall = g.SinceBoot+g.Every, g.Wall.Add(g.Every)
	return g.pulse.Next(g.Beat)
}

// Send beats once, and again when whole facts are wanted.
func (g *Beating) Send(ctx context.Context, conn grpc.ClientConnInterface) error {
	for range 2 {
		b := g.Next()
		r, err := deliver.SendBeat(ctx, conn, b)
		if err != nil {
			return err
		}
		g.pulse.Heard(b, r, b.SinceBoot)
		if g.Last = r; r.Wanted == 0 {
			return nil
		}
		g.Asked++
	}
	return nil
}
