package deliver

import (
	"fmt"
	"time"
)

// Clock is what waiting is measured by.
type Clock interface {
	Now() time.Time
	// Timer gives a channel on which the time comes once d has passed, and what
	// gives it up before.
	Timer(d time.Duration) (c <-chan time.Time, stop func())
}

// WallClock is the machine's own.
type WallClock struct{}

// Now implements Clock.
func (WallClock) Now() time.Time { return time.Now() }

// Timer implements Clock.
func (WallClock) Timer(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(d)
	return t.C, func() { t.Stop() }
}

// Pace is how long a stream may yet be waited for. It begins with a window; waiting
// takes from it, and bytes give back the time that they may take at the least
// rate, up to the window again. So a stream of n bytes is waited for no longer than
// the window and n bytes at that rate, however it is cut up, and a stream that
// stops no longer than the window. Time in which nobody waits for it is not counted.
type Pace struct {
	Window time.Duration
	Rate   int64 // bytes a second; 0 gives the whole window back for each message

	waited time.Duration // since the window was whole
	bytes  int64         // since then
}

// Left is how long the stream may be waited for.
func (p *Pace) Left() time.Duration { return max(0, p.Window-p.waited) }

// Came counts n bytes that were waited for.
func (p *Pace) Came(n int, waited time.Duration) {
	p.waited, p.bytes = p.waited+waited, p.bytes+int64(n)
	earned := p.Window
	if p.Rate > 0 {
		earned = time.Duration(float64(n) / float64(p.Rate) * float64(time.Second))
	}
	if p.waited -= earned; p.waited <= 0 {
		p.waited, p.bytes = 0, 0
	}
}

// Short says, once nothing is left, what was too little.
func (p *Pace) Short() string {
	if p.bytes == 0 {
		return fmt.Sprintf("nothing came for %v", p.Window)
	}
	return fmt.Sprintf("%d bytes came in more than %v; %d a second are the least that is waited for", p.bytes, p.Window, p.Rate)
}
