package deliver_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
)

// TestPace holds a pace to its promises, however bytes come: what keeps to the
// least rate is always waited for, and nothing is waited for longer than a window
// and its bytes at the least rate.
func TestPace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		window := time.Duration(rapid.Int64Range(1, int64(time.Hour)).Draw(t, "window"))
		rate := rapid.Int64Range(1, 1<<20).Draw(t, "rate")
		p := deliver.Pace{Window: window, Rate: rate}
		at := func(n int) time.Duration { return time.Duration(float64(n) / float64(rate) * float64(time.Second)) }
		steady := rapid.Bool().Draw(t, "steady")
		var total time.Duration
		bytes := 0
		for range rapid.IntRange(1, 50).Draw(t, "messages") {
			n := rapid.IntRange(0, 1<<17).Draw(t, "bytes")
			wait := time.Duration(rapid.Int64Range(0, int64(p.Left())).Draw(t, "wait"))
			if steady {
				wait = min(wait, at(n))
			}
			p.Came(n, wait)
			total, bytes = total+wait, bytes+n
			if steady && p.Left() != window {
				t.Fatalf("a stream at more than the least rate has %v of %v left", p.Left(), window)
			}
			if most := window + at(bytes) + 100; total > most { // 2 ns lost a message
				t.Fatalf("%d bytes were waited for %v, more than %v", bytes, total, most)
			}
		}
	})
}

func TestPaceOfATrickle(t *testing.T) {
	p := deliver.Pace{Window: time.Minute, Rate: 1000}
	if s := p.Short(); !strings.Contains(s, "nothing came for 1m0s") {
		t.Error(s)
	}
	n := 0
	for ; p.Left() > 0; n++ {
		p.Came(1, time.Second)
	}
	if n < 60 || n > 61 {
		t.Errorf("one byte a second was waited for %d times", n)
	}
	if s := p.Short(); s != "61 bytes came in more than 1m0s; 1000 a second are the least that is waited for" {
		t.Error(s)
	}
	p = deliver.Pace{Window: time.Minute}
	for range 1000 {
		p.Came(0, 59*time.Second)
	}
	if p.Left() != time.Minute {
		t.Errorf("without a least rate %v are left", p.Left())
	}
}
