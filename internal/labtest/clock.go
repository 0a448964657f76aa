package labtest

import (
	"sync"
	"time"
)

// Clock is a clock that only a test moves. Its methods may be called at the same
// time.
type Clock struct {
	mu     sync.Mutex
	now    time.Time
	timers map[*timer]bool
}

type timer struct {
	due time.Time
	c   chan time.Time
}

// NewClock gives one that stands at some moment.
func NewClock() *Clock {
	return &Clock{now: time.Date(2031, 3, 20, 21, 0, 0, 0, time.UTC), timers: map[*timer]bool{}}
}

// Now is where it stands.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Timer gives a channel on which the time comes once the clock was moved by d, and
// what gives it up before.
func (c *Clock) Timer(d time.Duration) (<-chan time.Time, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := &timer{c.now.Add(d), make(chan time.Time, 1)}
	if d <= 0 {
		t.c <- c.now
	} else {
		c.timers[t] = true
	}
	return t.c, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.timers, t)
	}
}

// Advance moves the clock on.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	for t := range c.timers {
		if !t.due.After(c.now) {
			t.c <- c.now
			delete(c.timers, t)
		}
	}
}
