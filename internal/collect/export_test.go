package collect

import (
	"cmp"
	"context"
	"net"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
)

// Keeping is what would be kept of a delivery.
func (c *Collector) Keeping(d deliver.Delivery) (archive.Keeping, answer.Summary, error) {
	return c.keeping(context.Background(), d)
}

// WritesWithin says how long what was heard may yet wait to be written; 0 when
// nothing waits.
func (c *Collector) WritesWithin() time.Duration {
	c.beats.mu.Lock()
	defer c.beats.mu.Unlock()
	if c.beats.timer == nil {
		return 0
	}
	return time.Until(c.beats.due)
}

// Flush writes what was heard.
func (c *Collector) Flush() { c.flushBeats() }

// Allowed are bounds of a collector's server; what is 0 stays as it is.
type Allowed struct {
	Handshake                                      time.Duration
	Connections, ConnectionsFrom, Calls, CallsFrom int
	Clock                                          deliver.Clock
}

// Allow changes what the collector lets others do. Call it before Server.
func (c *Collector) Allow(a Allowed) {
	d := c.door
	d.handshake = cmp.Or(a.Handshake, d.handshake)
	d.bounds.connections = cmp.Or(a.Connections, d.bounds.connections)
	d.connectionsFrom = cmp.Or(a.ConnectionsFrom, d.connectionsFrom)
	d.bounds.calls = cmp.Or(a.Calls, d.bounds.calls)
	d.callsFrom = cmp.Or(a.CallsFrom, d.callsFrom)
	if a.Clock != nil {
		d.clock = a.Clock
	}
}

// Watch is the listener behind which Serve serves.
func (c *Collector) Watch(l net.Listener) net.Listener { return c.door.watch(l) }

// Entered is how many connections are in.
func (c *Collector) Entered() int {
	c.door.mu.Lock()
	defer c.door.mu.Unlock()
	return len(c.door.conns)
}
