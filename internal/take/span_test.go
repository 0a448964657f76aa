package take

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/record"
	"witnessmark/internal/timing"
	"witnessmark/internal/watch"
)

// story is a machine with an agent that looks at its clocks.
type story struct {
	*machine
	*watch.Timeline
	t interface{ Fatal(...any) }
}

func newStory(t interface{ Fatal(...any) }) *story {
	s := &story{newMachine(), &watch.Timeline{}, t}
	s.look()
	return s
}

func (s *story) look() {
	if _, err := s.Note(s.Read()); err != nil {
		s.t.Fatal(err)
	}
}

// pass lets time pass with a look a second.
func (s *story) pass(d time.Duration) {
	for ; d > 0; d -= time.Second {
		s.machine.pass(min(d, time.Second))
		s.look()
	}
}

func (s *story) sleep(d time.Duration) {
	s.machine.pass(d)
	s.asleep += d
	s.look()
}

func (s *story) step(d time.Duration) {
	s.wall = s.wall.Add(d)
	s.machine.pass(time.Millisecond)
	s.look()
}

func (s *story) reboot() {
	s.wall, s.boot, s.since, s.asleep = s.wall.Add(40*time.Second), s.boot+1, 20*time.Second, 0
	s.look()
}

// steps are by what clocks are set: far, by a little, forward and back.
var steps = []time.Duration{-2 * time.Hour, -time.Hour, -5 * time.Minute, -3 * time.Second, 3 * time.Second, 5 * time.Minute, time.Hour}

// happen lets something happen to the machine.
func (s *story) happen(t *rapid.T, mayReboot bool) {
	switch rapid.IntRange(0, 5).Draw(t, "happens") {
	case 0:
		s.step(rapid.SampledFrom(steps).Draw(t, "step"))
	case 1:
		s.sleep(time.Duration(rapid.IntRange(1, 4000).Draw(t, "sleep")) * time.Second)
	case 2:
		if mayReboot {
			s.reboot()
		}
	}
	s.pass(time.Duration(rapid.IntRange(1, 200).Draw(t, "seconds")) * time.Second)
}

func near(a, b time.Duration) bool { return (a - b).Abs() <= 25*time.Millisecond }

// TestSpansByLength has logs of programs that time by a clock which stands still
// while the machine sleeps, and by one that does not, written on machines whose
// clocks are set and which sleep. Where the agent watched the folder the span is
// the true one, whatever happened.
func TestSpansByLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStory(t)
		for range rapid.IntRange(0, 3).Draw(t, "before") {
			s.happen(t, true)
		}
		through := rapid.Bool().Draw(t, "through sleep")
		began := s.Read()
		s.pass(2 * time.Second) // whether a run begins just before a sleep or just after it no length tells
		rows, mark := rowsOf(2*time.Second), s.Read()
		for range rapid.IntRange(1, 3).Draw(t, "during") {
			s.happen(t, false)
			now := s.Read()
			length := now.Awake - mark.Awake
			if through {
				if slept := (now.SinceBoot - mark.SinceBoot) - length; slept > 0 {
					rows = append(rows, slept)
				}
			}
			rows = append(rows, rowsOf(length)...)
			mark = now
		}
		ended := s.Read()
		w := written{wall: ended.Wall, seen: ended, before: began}
		s.pass(time.Second)
		w.seen = s.Read()
		watched := rapid.Bool().Draw(t, "watched")
		if !watched {
			w.before = watch.Reading{}
			for range rapid.IntRange(0, 2).Draw(t, "after") {
				s.happen(t, true)
			}
			w.seen = s.Read()
		}
		span := byLength(read1(t, rows), w, s.Timeline)
		from, to := span.From, span.To
		if to.How != record.ByLastWrite || from.How != record.ByDurations {
			t.Fatalf("%+v", span)
		}
		// What the log's writer, whoever watched it, and the clocks leave possible.
		var possible []watch.Instant
		for _, at := range s.Instants(ended.Wall) {
			late := at.Boot == w.seen.Boot && at.At > w.seen.SinceBoot+leeway
			early := watched && at.At < began.SinceBoot-grain
			if !late && !early && (!watched || at.Boot == began.Boot) {
				possible = append(possible, at)
			}
		}
		if doubted := to.Detail != ""; doubted != (len(possible) > 1) {
			t.Fatalf("in doubt: %v (%s), and it can have been %v", doubted, to.Detail, possible)
		}
		if len(possible) == 1 {
			if to.Boot != ended.Boot || !near(to.SinceBoot, ended.SinceBoot) || from.Boot != began.Boot || !near(from.SinceBoot, began.SinceBoot) {
				t.Fatalf("%v to %v after boot, and it was %v to %v: %+v", from.SinceBoot, to.SinceBoot, began.SinceBoot, ended.SinceBoot, span)
			}
			if !near(from.Wall.Sub(began.Wall), 0) && len(s.Walls(began.Instant())) == 1 {
				t.Fatalf("from %v, and it was %v", from.Wall, began.Wall)
			}
		}
		if to.Boot == w.seen.Boot && to.SinceBoot > w.seen.SinceBoot+leeway || lengthOf(span) < 0 {
			t.Fatalf("%+v ends after it was seen, at %v", span, w.seen)
		}
	})
}

// rowsOf makes rows that add up to a length.
func rowsOf(length time.Duration) (rows []time.Duration) {
	for length > 0 {
		row := min(length, 500*time.Millisecond)
		rows, length = append(rows, row), length-row
	}
	return rows
}

func read1(t *rapid.T, rows []time.Duration) *timing.Log {
	var b bytes.Buffer
	b.WriteString("frame_ns\n")
	for _, r := range rows {
		fmt.Fprintln(&b, int64(r))
	}
	log, err := timing.Parse(b.Bytes(), timing.Spec{})
	if err != nil {
		t.Fatal(err)
	}
	return log
}

// TestSpansByStamps has logs whose rows bear the wall time.
func TestSpansByStamps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStory(t)
		for range rapid.IntRange(0, 3).Draw(t, "before") {
			s.happen(t, true)
		}
		began := s.Read()
		s.pass(time.Duration(rapid.IntRange(5, 60).Draw(t, "length")) * time.Second)
		ended := s.Read()
		for range rapid.IntRange(0, 3).Draw(t, "after") {
			s.happen(t, true)
		}
		log := stamped(t, began.Wall, ended.Wall)
		span, why, ok := byStamps(log, written{wall: ended.Wall, seen: s.Read()}, s.Timeline)
		if !ok {
			t.Fatalf("%v to %v: %s", began.Wall, ended.Wall, why)
		}
		if !span.From.Wall.Equal(began.Wall) || !span.To.Wall.Equal(ended.Wall) || !near(lengthOf(span), ended.SinceBoot-began.SinceBoot) {
			t.Fatalf("%+v, and it was %v to %v", span, began, ended)
		}
		doubted := len(s.Instants(began.Wall)) > 1 || len(s.Instants(ended.Wall)) > 1
		if doubted != (span.From.Detail+span.To.Detail != "") {
			t.Fatalf("%+v, and the clock showed its times at %v and %v", span, s.Instants(began.Wall), s.Instants(ended.Wall))
		}
		if !doubted && (span.From.Boot != began.Boot || !near(span.From.SinceBoot, began.SinceBoot)) {
			t.Fatalf("%+v, and it was %v to %v", span, began, ended)
		}
	})
}

func stamped(t *rapid.T, from, to time.Time) *timing.Log {
	var b bytes.Buffer
	b.WriteString("time_ns\n")
	for at := from; at.Before(to); at = at.Add(time.Second) {
		fmt.Fprintln(&b, at.UnixNano())
	}
	fmt.Fprintln(&b, to.UnixNano())
	log, err := timing.Parse(b.Bytes(), timing.Spec{Kind: timing.Timestamp})
	if err != nil {
		t.Fatal(err)
	}
	return log
}

func TestStampsOfAnotherClock(t *testing.T) {
	s := newStory(t)
	s.pass(time.Minute)
	w := written{wall: s.wall, seen: s.Read()}
	rt := func(from time.Time) *timing.Log {
		first, last := from.UnixNano(), from.Add(20*time.Second).UnixNano()
		return &timing.Log{Durations: []int64{10e9, 10e9}, FirstStamp: &first, LastStamp: &last}
	}
	if _, why, ok := byStamps(rt(s.wall.Add(time.Hour)), w, s.Timeline); ok || !strings.Contains(why, "no times that this machine's clock showed by then") {
		t.Error("stamps that are still to come: ", ok, why)
	}
	if _, why, ok := byStamps(rt(time.Unix(5, 0)), w, s.Timeline); ok || why != "" {
		t.Error("stamps since the program's start: ", ok, why)
	}
	if span, _, ok := byStamps(rt(s.wall.Add(-1000*time.Hour)), w, s.Timeline); !ok || span.From.Boot+span.To.Boot != "" || span.From.Detail == "" {
		t.Error("stamps from before everything known: ", ok, span)
	}
}

func TestAFileOfATimeThatTheClockNeverShowed(t *testing.T) {
	s := newStory(t)
	s.pass(time.Minute)
	before := s.Read()
	s.pass(time.Minute)
	future := s.wall.Add(48 * time.Hour)
	b := written{future, s.Read(), before}.end(s.Timeline)
	if b.Boot != "boot-0" || b.SinceBoot != s.since || !b.Wall.Equal(s.wall) || !strings.Contains(b.Detail, "did not show") {
		t.Errorf("%+v", b)
	}
	if b := (written{future, s.Read(), watch.Reading{}}).end(s.Timeline); b.Boot != "" || b.Detail == "" || !b.Wall.Equal(future) {
		t.Errorf("%+v", b)
	}
}

func TestALogLongerThanTheMachineRan(t *testing.T) {
	s := newStory(t)
	s.pass(time.Minute)
	log := &timing.Log{Durations: []int64{int64(2 * time.Hour), 1}}
	span := byLength(log, written{wall: s.wall, seen: s.Read()}, s.Timeline)
	if span.From.Boot != "" || span.From.Detail == "" || span.To.Boot == "" || lengthOf(span) != 2*time.Hour+1 {
		t.Errorf("%+v", span)
	}
}
