package deliver

import (
	"crypto/sha256"
	"time"

	"witnessmark/internal/rig"
)

// Pulse makes the beats of one agent process. The zero value is ready. Its
// methods may not be called at the same time.
//
//	beat := p.Next(deliver.Beat{…, Facts: deliver.Lasting(snapshot)})
//	reply, err := deliver.SendBeat(ctx, conn, beat)
//	if err == nil {
//		p.Heard(beat, reply, clock.SinceBoot())
//	}
type Pulse struct {
	Offsets Offsets // of this boot

	sequence uint64
	boot     string
	wanted   uint64
	sent     rig.Snapshot // all facts of the beat under way
	base     rig.Snapshot // all facts that the collector is known to have
	baseSum  [sha256.Size]byte
}

// Next gives a beat its number, what is known of the clock's offset, and facts as
// the collector needs them. Facts must be all of the rig's, as Lasting gives
// them, and Base and Gone empty.
func (p *Pulse) Next(b Beat) Beat {
	if b.Boot != p.boot {
		p.boot, p.Offsets = b.Boot, Offsets{}
	}
	p.sequence++
	p.sent = b.Facts
	b.Sequence, b.Answers, b.SHA256 = p.sequence, p.wanted, b.Facts.ConfigurationSHA256()
	b.Offset = p.Offsets.At(b.Wall, b.SinceBoot)
	if b.Base = p.baseSum; !b.Whole() {
		b.Facts.Facts, b.Gone = Since(p.base, b.Facts)
	}
	return b
}

// Heard takes the reply to the beat that Next made last, which came when the boot
// clock showed sinceBoot.
func (p *Pulse) Heard(sent Beat, r BeatReply, sinceBoot time.Duration) {
	p.Offsets.Add(sent.SinceBoot, r.Received, r.Answered, sinceBoot)
	if p.wanted = r.Wanted; r.Wanted != 0 {
		p.base, p.baseSum = rig.Snapshot{}, [sha256.Size]byte{}
		return
	}
	p.base, p.baseSum = p.sent, sent.SHA256
}

// Moved says whether the facts, as Lasting gives them, are other than those of the
// last beat, or whole facts are wanted: reason not to wait with the next.
func (p *Pulse) Moved(facts rig.Snapshot) bool {
	return p.wanted != 0 || facts.ConfigurationSHA256() != p.baseSum
}

// Forget makes the next beat carry all facts, as another collector needs them.
func (p *Pulse) Forget() { *p = Pulse{sequence: p.sequence} }
