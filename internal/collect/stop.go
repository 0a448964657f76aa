package collect

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/deliver"
)

// How a collector stops, each step when the one before was not enough. Together
// they stay below the five seconds that it has.
const (
	graceFor = 2 * time.Second         // for deliveries and short calls to end
	cutFor   = 1500 * time.Millisecond // for calls whose connection was cut
	flushFor = time.Second             // for what is written down at the end
)

// errStopping ends the calls that would go on for long. It may be tried again.
var errStopping = status.Error(codes.Unavailable, "the collector is stopping; ask again in a moment")

// calls knows what is under way.
type calls struct {
	mu       sync.Mutex
	under    map[string]int // calls by method
	stopping context.Context
	stop     context.CancelFunc
}

func newCalls() *calls {
	c := &calls{under: map[string]int{}}
	c.stopping, c.stop = context.WithCancel(context.Background())
	return c
}

// begin counts a call until end is called.
func (c *calls) begin(method string) (end func()) {
	c.add(method, 1)
	return func() { c.add(method, -1) }
}

func (c *calls) add(method string, n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.under[method] += n; c.under[method] == 0 {
		delete(c.under, method)
	}
}

// String names what is under way: Backup, ListRuns (2).
func (c *calls) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	var names []string
	for _, m := range slices.Sorted(maps.Keys(c.under)) {
		name := m[strings.LastIndexByte(m, '/')+1:]
		if n := c.under[m]; n > 1 {
			name += fmt.Sprintf(" (%d)", n)
		}
		names = append(names, name)
	}
	return strings.Join(names, ", ")
}

// stream lets a stream of answers end when the collector stops. A delivery goes
// on, because its rig waits for the receipt.
func (c *calls) stream(st grpc.ServerStream, method string, call func(grpc.ServerStream) error) error {
	if strings.HasPrefix(method, "/"+deliver.ServiceName+"/") {
		return call(st)
	}
	ctx, cancel := context.WithCancelCause(st.Context())
	defer cancel(nil)
	defer context.AfterFunc(c.stopping, func() { cancel(errStopping) })()
	err := call(ending{st, ctx})
	if err != nil && errors.Is(context.Cause(ctx), errStopping) {
		return errStopping
	}
	return err
}

// ending is a stream with an end of our own.
type ending struct {
	grpc.ServerStream
	ctx context.Context
}

func (e ending) Context() context.Context { return e.ctx }

// stopServing ends what srv does and says whether it all ended. Deliveries
// get a moment to; what is cut off was not acknowledged, so its rig sends it again.
func (c *Collector) stopServing(srv *grpc.Server) bool {
	stopped := make(chan struct{})
	c.calls.stop()
	go func() { srv.GracefulStop(); close(stopped) }()
	if ends(stopped, graceFor) {
		return true
	}
	if what := c.calls.String(); what != "" {
		c.log.Warn("calls are cut off", "calls", what)
	}
	// A connection that has not yet said what it wants would keep the server.
	c.door.cut()
	go srv.Stop()
	if ends(stopped, cutFor) {
		return true
	}
	c.log.Error("calls do not end; the archive is left to the end of the process, with all that was acknowledged", "calls", c.calls.String())
	return false
}

func ends(done <-chan struct{}, within time.Duration) bool {
	t := time.NewTimer(within)
	defer t.Stop()
	select {
	case <-done:
		return true
	case <-t.C:
		return false
	}
}
