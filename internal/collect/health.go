package collect

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"witnessmark/internal/deliver"
)

// vitals is the standard health service. What it says is worked out when it is
// asked, and now and then for those who watch:
//
//	the delivery service   whether runs are kept
//	every other            whether the archive can be read
//	"", the collector      whether all of them serve
type vitals struct {
	*health.Server
	c        *Collector
	services []string // ours
	patience time.Duration
	mu       sync.Mutex
}

// lookFor is how long the archive has to answer.
const lookFor = 5 * time.Second

// lookEvery is how often those who watch are told of a change.
const lookEvery = time.Second

// registerHealth adds the health service for what is on the server so far.
func (c *Collector) registerHealth(s *grpc.Server, on grpc.ServiceRegistrar) *vitals {
	v := &vitals{Server: health.NewServer(), c: c, patience: lookFor}
	for _, name := range slices.Sorted(maps.Keys(s.GetServiceInfo())) {
		if strings.HasPrefix(name, "witnessmark.") {
			v.services = append(v.services, name)
		}
	}
	healthpb.RegisterHealthServer(on, v)
	return v
}

func (v *vitals) Check(ctx context.Context, r *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	v.refresh(ctx)
	return v.Server.Check(ctx, r)
}

func (v *vitals) List(ctx context.Context, r *healthpb.HealthListRequest) (*healthpb.HealthListResponse, error) {
	v.refresh(ctx)
	return v.Server.List(ctx, r)
}

func (v *vitals) Watch(r *healthpb.HealthCheckRequest, st healthpb.Health_WatchServer) error {
	v.refresh(st.Context())
	return v.Server.Watch(r, st)
}

// follow looks again until ctx ends.
func (v *vitals) follow(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			v.refresh(ctx)
		}
	}
}

func (v *vitals) refresh(ctx context.Context) {
	within, done := context.WithTimeout(ctx, v.patience)
	defer done()
	read := v.c.alive(within)
	if read != nil && ctx.Err() != nil {
		return // that who asked waits no longer says nothing of the archive
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	keeps := read
	if !errors.Is(read, errSilent) { // what else is asked might not answer either
		read = errors.Join(read, v.c.archive.Damaged())
		keeps = errors.Join(read, v.c.doubt())
		if s, err := v.c.State(ctx); err == nil && s.Refusing != "" {
			keeps = errors.New(s.Refusing)
		}
	}
	all := healthpb.HealthCheckResponse_SERVING
	for _, name := range v.services {
		err := read
		if name == deliver.ServiceName {
			err = keeps
		}
		now := healthpb.HealthCheckResponse_SERVING
		if err != nil {
			now, all = healthpb.HealthCheckResponse_NOT_SERVING, healthpb.HealthCheckResponse_NOT_SERVING
		}
		v.SetServingStatus(name, now)
	}
	v.SetServingStatus("", all)
}

// errSilent is returned for an archive that does not answer in time.
var errSilent = errors.New("the archive does not answer")

// alive reads from the archive; it waits no longer than ctx. A question that hangs
// is the only one that does.
func (c *Collector) alive(ctx context.Context) error {
	c.pulse.mu.Lock()
	asked := c.pulse.asked
	if asked == nil {
		asked = &reply{done: make(chan struct{})}
		c.pulse.asked = asked
		go c.feel(asked)
	}
	c.pulse.mu.Unlock()
	select {
	case <-asked.done:
		return asked.err
	case <-ctx.Done():
		return errSilent
	}
}

// pulse is the question to the archive that is under way.
type pulse struct {
	mu    sync.Mutex
	asked *reply
}

type reply struct {
	done chan struct{}
	err  error // set when done is closed
}

func (c *Collector) feel(r *reply) {
	_, _, r.err = c.archive.Head()
	c.pulse.mu.Lock()
	if c.pulse.asked == r {
		c.pulse.asked = nil
	}
	c.pulse.mu.Unlock()
	close(r.done)
}
