package deliver

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// Beat is a rig's sign of life, with what moved since the one before. A beat
// that has a Base carries in Facts only those that are new or other than in the
// base; one without carries all. Pulse makes the one from the other.
type Beat struct {
	Rig       string
	Boot      string        // the boot's id
	SinceBoot time.Duration // by the clock that counts suspends, when it was sent
	Wall      time.Time     // the rig's wall clock, then
	Sequence  uint64        // counts the beats of one agent process from 1
	Every     time.Duration // until the next beat when nothing moves

	Facts  rig.Snapshot      // as Lasting gives them
	Gone   []rig.Key         // in the base and not there any more
	Base   [sha256.Size]byte // of all facts that the changes apply to; zero when Facts are all
	SHA256 [sha256.Size]byte // of all facts, as rig.Snapshot.ConfigurationSHA256 has it

	Setup    *record.Setup // declared at present; nil when none is
	Waiting  Waiting
	Troubles []Trouble
	Agent    string           // its version
	Played   string           // how it came about, when the facts were not read live
	Offset   *rig.ClockOffset // nil until it is known
	Answers  uint64           // BeatReply.Wanted of the last reply
}

// Waiting is what a rig has yet to deliver.
type Waiting struct {
	Runs   int
	Size   int64     // bytes
	Oldest time.Time // when the longest waiting run began; zero when none waits
}

// Trouble is something that an agent cannot do at present.
type Trouble struct {
	What  string // one line
	Since time.Time
}

// BeatReply is what the collector answers.
type BeatReply struct {
	Received, Answered time.Time // the collector's wall clock when the beat came and when this was sent
	// Wanted is not 0 when whole facts are wanted. The next beat carries them and
	// gives the number back in Answers.
	Wanted uint64
	// Judgement is of the facts that the collector has of the rig, with the setup
	// that the beat declares and the mark in force.
	Judgement drift.Judgement
}

// The most that a beat may hold.
const (
	MaxBeat       = 240 << 10 // bytes of the whole message
	maxFacts      = 4096
	maxText       = 4096 // bytes of one text
	maxSetup      = 64 << 10
	maxTroubles   = 16
	maxTrouble    = 512
	leastEvery    = time.Second
	mostEvery     = time.Hour
	mostSinceBoot = 100 * 365 * 24 * time.Hour
)

// Whole says whether the beat carries all facts.
func (b *Beat) Whole() bool { return b.Base == [sha256.Size]byte{} }

// Check says what is wrong with the beat's shape, or nil. SendBeat sends and
// RegisterBeats hands on only what passes it.
func (b *Beat) Check() error {
	switch {
	case !record.ValidName(b.Rig):
		return fmt.Errorf("rig name %.130q is empty, too long or holds a control character", b.Rig)
	case !record.ValidName(b.Boot):
		return fmt.Errorf("boot id %.130q is empty, too long or holds a control character", b.Boot)
	case b.SinceBoot < 0 || b.SinceBoot > mostSinceBoot:
		return fmt.Errorf("%v since boot", b.SinceBoot)
	case !possible(b.Wall):
		return fmt.Errorf("wall clock %v does not fit nanoseconds since 1970", b.Wall)
	case b.Sequence == 0:
		return errors.New("it has no number in its sequence")
	case b.Every < leastEvery || b.Every > mostEvery:
		return fmt.Errorf("the next beat in %v; %v to %v are taken", b.Every, leastEvery, mostEvery)
	case len(b.Agent) > record.MaxName || len(b.Played) > maxText:
		return errors.New("the agent's version or what it plays is too long")
	case b.Offset != nil && (b.Offset.Uncertainty < 0 || !possible(b.Offset.Measured)):
		return fmt.Errorf("a clock offset of %v, uncertain by %v", b.Offset.Ahead, b.Offset.Uncertainty)
	}
	return errors.Join(b.checkFacts(), b.checkRest())
}

// possible says whether the time can be told in nanoseconds since 1970.
func possible(t time.Time) bool { return !t.IsZero() && time.Unix(0, t.UnixNano()).Equal(t) }

func (b *Beat) checkFacts() error {
	if n := len(b.Facts.Facts) + len(b.Gone); n > maxFacts || b.Whole() && len(b.Gone) > 0 {
		return fmt.Errorf("%d facts, %d of them gone; %d are taken", n, len(b.Gone), maxFacts)
	}
	for i, f := range b.Facts.Facts {
		if err := f.Check(); err != nil {
			return err
		}
		if i > 0 && rig.Compare(b.Facts.Facts[i-1].Key, f.Key) >= 0 {
			return fmt.Errorf("facts are not in order at %s", f.Key)
		}
		text, _ := f.Value.Text()
		if e, _ := rig.Lookup(f.Key); e.Pace == rig.Passing || max(len(f.Key), len(f.Source), len(f.Unread.Detail), len(text)) > maxText {
			return fmt.Errorf("fact %.130q passes from moment to moment, or is too long", f.Key)
		}
	}
	for _, k := range b.Gone {
		if _, ok := b.Facts.Find(k); ok || k == "" || len(k) > maxText {
			return fmt.Errorf("fact %.130q is gone and there", k)
		}
	}
	return nil
}

func (b *Beat) checkRest() error {
	if s := b.Setup; s != nil && (!record.ValidName(s.Label) || len(s.Source) > maxSetup || len(s.FileName) > maxText) {
		return fmt.Errorf("setup %.130q of %d bytes; %d are taken", s.Label, len(s.Source), maxSetup)
	}
	if b.Waiting.Runs < 0 || b.Waiting.Size < 0 {
		return fmt.Errorf("%d runs of %d bytes are waiting", b.Waiting.Runs, b.Waiting.Size)
	}
	if len(b.Troubles) > maxTroubles {
		return fmt.Errorf("%d troubles; %d are taken", len(b.Troubles), maxTroubles)
	}
	for _, t := range b.Troubles {
		if t.What == "" || len(t.What) > maxTrouble || strings.ContainsAny(t.What, "\n\r") || !possible(t.Since) {
			return fmt.Errorf("trouble %.130q is empty, too long, or not one line", t.What)
		}
	}
	return nil
}

// Lasting gives what a beat carries of a snapshot: the facts that do not pass
// from moment to moment, with U+FFFD for what is not UTF-8.
func Lasting(s rig.Snapshot) rig.Snapshot {
	facts := s.Configuration()
	for i := range facts {
		f := &facts[i]
		if t, ok := f.Value.Text(); ok {
			f.Value = rig.TextOf(clean(t))
		}
		f.Key, f.Unit, f.Source, f.Unread.Detail = rig.Key(clean(string(f.Key))), rig.Unit(clean(string(f.Unit))), clean(f.Source), clean(f.Unread.Detail)
	}
	return rig.NewSnapshot(s.At, facts)
}

func clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) > maxText {
		s = strings.ToValidUTF8(s[:maxText], "")
	}
	return s
}

// Since gives the changes that lead from base to now, both as Lasting gives them.
func Since(base, now rig.Snapshot) (changed []rig.Fact, gone []rig.Key) {
	for _, f := range now.Facts {
		if was, ok := base.Find(f.Key); !ok || was != f {
			changed = append(changed, f)
		}
	}
	for _, f := range base.Facts {
		if _, ok := now.Find(f.Key); !ok {
			gone = append(gone, f.Key)
		}
	}
	return changed, gone
}

// Apply gives all facts of a beat whose base the facts are, and whether they have
// the hash that the beat says.
func (b *Beat) Apply(base rig.Snapshot) (all rig.Snapshot, ok bool) {
	if all = b.Facts; !b.Whole() {
		gone := make(map[rig.Key]bool, len(b.Gone))
		for _, k := range b.Gone {
			gone[k] = true
		}
		rest := slices.DeleteFunc(slices.Clone(base.Facts), func(f rig.Fact) bool {
			_, over := b.Facts.Find(f.Key)
			return over || gone[f.Key]
		})
		all = rig.NewSnapshot(b.Facts.At, append(rest, b.Facts.Facts...))
	}
	return all, all.ConfigurationSHA256() == b.SHA256
}
