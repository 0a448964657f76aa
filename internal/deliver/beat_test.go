package deliver_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	rigs "witnessmark/internal/rig"
	pb "witnessmark/proto/witnessmark/v1"
)

// ear keeps what it hears as a collector does: all facts of the rig.
type ear struct {
	mu    sync.Mutex
	beats []deliver.Beat
	facts rigs.Snapshot
	deaf  bool // wants whole facts
	fail  error
}

func (e *ear) Hear(_ context.Context, b deliver.Beat, _ time.Time) (deliver.Heard, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.fail != nil {
		return deliver.Heard{}, e.fail
	}
	e.beats = append(e.beats, b)
	if !b.Whole() && (e.deaf || e.facts.ConfigurationSHA256() != b.Base) {
		return deliver.Heard{Wanted: uint64(len(e.beats))}, nil
	}
	all, ok := b.Apply(e.facts)
	if !ok {
		return deliver.Heard{}, fmt.Errorf("%w: facts of another hash", deliver.ErrRefused)
	}
	e.facts, e.deaf = all, false
	return deliver.Heard{Judgement: drift.Judgement{Standing: drift.Clean, At: time.Unix(5, 0).UTC()}}, nil
}

func listen(t testing.TB, now func() time.Time) (*ear, *grpc.ClientConn) {
	e := &ear{}
	srv := grpc.NewServer()
	deliver.RegisterBeats(srv, e, now)
	return e, labtest.Connect(t, srv)
}

var noon = time.Date(2031, 3, 2, 12, 0, 0, 0, time.UTC)

func heron(facts ...rigs.Fact) deliver.Beat {
	return deliver.Beat{
		Rig: "heron", Boot: "boot", SinceBoot: time.Hour, Wall: noon, Every: 10 * time.Second,
		Facts: deliver.Lasting(rigs.NewSnapshot(noon, facts)), Agent: "0.1.0",
	}
}

func speed(mtps float64) rigs.Fact {
	return rigs.Fact{Key: "memory.speed", Value: rigs.NumberOf(mtps), Unit: rigs.MTps, Source: "DMI"}
}

var same = cmp.Comparer(func(a, b rigs.Value) bool { return a == b })

// anyFacts draws facts of which some change, come and go from draw to draw.
func anyFacts(t *rapid.T) []rigs.Fact {
	var out []rigs.Fact
	for i := range 12 {
		k := rigs.Of("memory.module", fmt.Sprint(i), "part")
		switch rapid.IntRange(0, 3).Draw(t, "fact") {
		case 0:
			out = append(out, rigs.Fact{Key: k, Value: rigs.TextOf(rapid.SampledFrom([]string{"a", "b", "\xffx"}).Draw(t, "text")), Source: "DMI"})
		case 1:
			out = append(out, rigs.Fact{Key: k, Unread: rigs.Unread{Reason: rigs.Denied, Detail: "no right"}, Source: "DMI"})
		}
	}
	return out
}

// TestPulse has facts move, beats lost before and after they were taken, and a
// collector that forgets: whenever a beat is answered and nothing more is wanted,
// the collector has exactly the facts of the rig.
func TestPulse(t *testing.T) {
	e, conn := listen(t, func() time.Time { return noon })
	rapid.Check(t, func(t *rapid.T) {
		e.beats, e.facts, e.deaf = nil, rigs.Snapshot{}, false
		var p deliver.Pulse
		b := heron()
		wanted := 0
		for range rapid.IntRange(1, 20).Draw(t, "beats") {
			b.SinceBoot += time.Second
			b.Facts = deliver.Lasting(rigs.NewSnapshot(noon, anyFacts(t)))
			sent := p.Next(b)
			fate := rapid.SampledFrom([]string{"heard", "heard", "heard", "forgot", "lost", "unanswered"}).Draw(t, "fate")
			if fate == "lost" {
				continue
			}
			e.deaf = fate == "forgot"
			reply, err := deliver.SendBeat(context.Background(), conn, sent)
			if err != nil {
				t.Fatal(err)
			}
			if fate == "unanswered" {
				continue
			}
			p.Heard(sent, reply, b.SinceBoot)
			if reply.Wanted != 0 {
				if wanted++; wanted > 1 {
					t.Fatal("whole facts did not come when they were wanted")
				}
				continue
			}
			wanted = 0
			if d := cmp.Diff(b.Facts.Facts, e.facts.Facts, same, cmpopts.EquateEmpty()); d != "" {
				t.Fatal(d)
			}
		}
	})
}

// TestBeatsAreSmall: a beat of a rig on which nothing moved carries no fact.
func TestBeatsAreSmall(t *testing.T) {
	e, conn := listen(t, func() time.Time { return noon })
	var p deliver.Pulse
	for range 3 {
		b := p.Next(heron(speed(3200), rigs.Fact{Key: "kernel.uptime", Value: rigs.NumberOf(5), Unit: rigs.Second}))
		reply, err := deliver.SendBeat(context.Background(), conn, b)
		if err != nil || reply.Judgement.Standing != drift.Clean {
			t.Fatal(reply, err)
		}
		p.Heard(b, reply, b.SinceBoot)
	}
	if len(e.beats[0].Facts.Facts) != 1 || len(e.beats[2].Facts.Facts) != 0 || e.beats[2].Whole() {
		t.Errorf("%+v", e.beats)
	}
	if e.beats[2].Sequence != 3 || e.beats[2].Offset == nil {
		t.Errorf("%+v", e.beats[2])
	}
	if p.Moved(heron(speed(3200)).Facts) || !p.Moved(heron(speed(2400)).Facts) {
		t.Error("what moved is not seen, or what did not is")
	}
}

func TestBeatErrors(t *testing.T) {
	e, conn := listen(t, func() time.Time { return noon })
	long := strings.Repeat("x", 5000)
	for name, change := range map[string]func(*deliver.Beat){
		"no rig":            func(b *deliver.Beat) { b.Rig = "" },
		"no boot":           func(b *deliver.Beat) { b.Boot = "" },
		"before boot":       func(b *deliver.Beat) { b.SinceBoot = -1 },
		"no time":           func(b *deliver.Beat) { b.Wall = time.Time{} },
		"no number":         func(b *deliver.Beat) { b.Sequence = 0 },
		"hasty":             func(b *deliver.Beat) { b.Every = time.Millisecond },
		"a passing fact":    func(b *deliver.Beat) { b.Facts.Facts = []rigs.Fact{{Key: "kernel.uptime", Value: rigs.NumberOf(1)}} },
		"a fact of nothing": func(b *deliver.Beat) { b.Facts.Facts = []rigs.Fact{{Key: "memory.speed"}} },
		"a long fact":       func(b *deliver.Beat) { b.Facts.Facts[0].Source = long },
		"facts twice":       func(b *deliver.Beat) { b.Facts.Facts = append(b.Facts.Facts, b.Facts.Facts...) },
		"too many facts": func(b *deliver.Beat) {
			var facts []rigs.Fact
			for i := range 5000 {
				facts = append(facts, rigs.Fact{Key: rigs.Of("disk", fmt.Sprint(i), "model"), Value: rigs.TextOf("x")})
			}
			b.Facts = rigs.NewSnapshot(noon, facts)
		},
		"a huge setup": func(b *deliver.Beat) { b.Setup = &record.Setup{Label: "x", Source: make([]byte, 65<<10)} },
		"a trouble of two lines": func(b *deliver.Beat) {
			b.Troubles = []deliver.Trouble{{What: "a\nb", Since: noon}}
		},
		"many troubles": func(b *deliver.Beat) { b.Troubles = make([]deliver.Trouble, 17) },
		"huge": func(b *deliver.Beat) {
			var facts []rigs.Fact
			for i := range 100 {
				facts = append(facts, rigs.Fact{Key: rigs.Of("disk", fmt.Sprint(i), "model"), Value: rigs.TextOf(long[:4000])})
			}
			b.Facts = rigs.NewSnapshot(noon, facts)
		},
	} {
		var p deliver.Pulse
		b := p.Next(heron(speed(3200)))
		change(&b)
		_, err := deliver.SendBeat(context.Background(), conn, b)
		if !errors.Is(err, deliver.ErrRefused) || strings.Contains(err.Error(), "\n") || len(err.Error()) > 400 {
			t.Errorf("%s, sent: %v", name, err)
		}
		_, err = pb.NewBeatServiceClient(conn).Beat(context.Background(), deliver.BeatProto(&b))
		if err == nil || len(err.Error()) > 600 {
			t.Errorf("%s, taken: %v", name, err)
		}
	}
	if len(e.beats) > 0 {
		t.Errorf("%d were heard", len(e.beats))
	}
	var p deliver.Pulse
	e.fail = errors.New("the disk is full")
	if _, err := deliver.SendBeat(context.Background(), conn, p.Next(heron())); !errors.Is(err, deliver.ErrUnreachable) {
		t.Error(err)
	}
	e.fail = fmt.Errorf("%w: of another rig", deliver.ErrRefused)
	if _, err := deliver.SendBeat(context.Background(), conn, p.Next(heron())); !errors.Is(err, deliver.ErrRefused) {
		t.Error(err)
	}
}

// FuzzBeat: no bytes of others make it fall, and a beat that is taken says the
// same when it is sent on.
func FuzzBeat(f *testing.F) {
	var p deliver.Pulse
	b := p.Next(heron(speed(3200)))
	b.Setup = &record.Setup{Label: "memory-rated", Source: []byte("label"), FileName: "a.toml"}
	b.Troubles = []deliver.Trouble{{What: "the spool is full", Since: noon}}
	b.Waiting, b.Offset = deliver.Waiting{Runs: 2, Size: 5, Oldest: noon}, &rigs.ClockOffset{Ahead: 3, Uncertainty: 2, Measured: noon}
	for range 2 {
		seed, err := proto.Marshal(deliver.BeatProto(&b))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(seed)
		b.Base, b.Gone = b.SHA256, []rigs.Key{"cpu.cores"}
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		var m pb.BeatRequest
		if proto.Unmarshal(raw, &m) != nil {
			return
		}
		b, err := deliver.BeatOf(&m)
		if err != nil {
			return
		}
		b.Apply(rigs.Snapshot{})
		again, err := deliver.BeatOf(deliver.BeatProto(&b))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(b, again, same); d != "" {
			t.Fatal(d)
		}
	})
}

// TestAskTime: the collector's clock is a minute behind, and the offset says so.
func TestAskTime(t *testing.T) {
	e, conn := listen(t, func() time.Time { return time.Now().Add(-time.Minute) })
	start := time.Now()
	var o deliver.Offsets
	for range 3 {
		left := time.Since(start)
		received, answered, err := deliver.AskTime(t.Context(), conn)
		if err != nil {
			t.Fatal(err)
		}
		o.Add(left, received, answered, time.Since(start))
	}
	now := time.Now()
	got := o.At(now, now.Sub(start))
	if got == nil || (got.Ahead-time.Minute).Abs() > got.Uncertainty || len(e.beats) > 0 {
		t.Errorf("%+v after %d beats", got, len(e.beats))
	}
	conn.Close()
	if _, _, err := deliver.AskTime(t.Context(), conn); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("cut off: %v", err)
	}
}

// TestATimeThatIsNone: an answer without times, or with a clock that ran
// backwards, says nothing.
func TestATimeThatIsNone(t *testing.T) {
	now := time.Now()
	_, conn := listen(t, func() time.Time { now = now.Add(-time.Second); return now })
	if _, _, err := deliver.AskTime(t.Context(), conn); !errors.Is(err, deliver.ErrUnreachable) {
		t.Error(err)
	}
}
