package collect

import (
	"context"
	"maps"
	"net"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/tap"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/deliver"
)

// bounds are what the collector's server lets others do at once, and how long it
// waits for them. They are design choices: several times what the rigs and
// analysts of one bench need, and a small part of what a machine has.
type bounds struct {
	handshake time.Duration // until a connection can be used
	request   time.Duration // until a request has come whole
	pace      deliver.Pace  // at which answers are read
	idle      time.Duration // until a connection without calls is closed
	alive     time.Duration // of silence, until a connection is asked whether it lives
	living    time.Duration // until it has to answer

	connections, connectionsFrom int // in all, and from one address
	calls, callsFrom             int
}

var usualBounds = bounds{
	handshake: 10 * time.Second, request: 30 * time.Second, pace: deliver.Pace{Window: time.Minute, Rate: 8 << 10},
	idle: 30 * time.Minute, alive: 30 * time.Second, living: 20 * time.Second,
	connections: 512, connectionsFrom: 128, calls: 1024, callsFrom: 512,
}

// door lets connections and calls in, as many as the bounds say, and knows what
// is in.
type door struct {
	bounds
	metrics *Metrics
	clock   deliver.Clock

	mu      sync.Mutex
	conns   map[string]net.Conn // by the other side's address and port
	from    map[string]int      // connections by its address
	running map[string]int      // calls by the address that they come from
	all     int                 // calls
}

func newDoor(b bounds, m *Metrics) *door {
	return &door{bounds: b, metrics: m, clock: deliver.WallClock{}, conns: map[string]net.Conn{}, from: map[string]int{}, running: map[string]int{}}
}

// watch gives a listener that closes what is too much at once.
func (d *door) watch(l net.Listener) net.Listener { return &watched{l, d} }

type watched struct {
	net.Listener
	door *door
}

func (w *watched) Accept() (net.Conn, error) {
	for {
		c, err := w.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if in := w.door.enter(c); in != nil {
			return in, nil
		}
		w.door.metrics.Refused("connections")
		c.Close()
	}
}

// host is the address without the port, or all of what is no such address.
func host(a net.Addr) string {
	if h, _, err := net.SplitHostPort(a.String()); err == nil {
		return h
	}
	return a.String()
}

// enter counts a connection in; nil when it is one too many.
func (d *door) enter(c net.Conn) net.Conn {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := host(c.RemoteAddr())
	if len(d.conns) >= d.connections || d.from[from] >= d.connectionsFrom {
		return nil
	}
	d.from[from]++
	d.conns[c.RemoteAddr().String()] = c
	return &entered{Conn: c, leave: sync.OnceFunc(func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.conns, c.RemoteAddr().String())
		if d.from[from]--; d.from[from] == 0 {
			delete(d.from, from)
		}
	})}
}

type entered struct {
	net.Conn
	leave func()
}

func (e *entered) Close() error {
	e.leave()
	return e.Conn.Close()
}

// shut closes the connection that a call came by.
func (d *door) shut(ctx context.Context) {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return
	}
	d.mu.Lock()
	c := d.conns[p.Addr.String()]
	d.mu.Unlock()
	if c != nil {
		c.Close()
	}
}

// cut closes all connections.
func (d *door) cut() {
	d.mu.Lock()
	open := slices.Collect(maps.Values(d.conns))
	d.mu.Unlock()
	for _, c := range open {
		c.Close()
	}
}

// tap refuses calls that are too many at once before anything is done for them.
func (d *door) tap(ctx context.Context, _ *tap.Info) (context.Context, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.all >= d.calls || d.running[caller(ctx)] >= d.callsFrom {
		d.metrics.Refused(deliver.Busy)
		return nil, deliver.Refuse(deliver.Busy, codes.Unavailable, "too many calls are under way at once; try again")
	}
	return ctx, nil
}

// caller is the address that a call comes from.
func caller(ctx context.Context) string {
	if p, ok := peer.FromContext(ctx); ok {
		return host(p.Addr)
	}
	return ""
}

// count counts calls that begin or, negative, have ended.
func (d *door) count(ctx context.Context, n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := caller(ctx)
	d.all += n
	if d.running[from] += n; d.running[from] == 0 {
		delete(d.running, from)
	}
}

// soon receives, and gives up on what does not come whole in time. What it gives
// up on ends with the call.
func (d *door) soon(receive func() error) error {
	due, stop := d.clock.Timer(d.request)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- receive() }()
	select {
	case err := <-done:
		return err
	case <-due:
		return deliver.Refuse(deliver.TooSlow, codes.DeadlineExceeded, "the request did not come whole within %v", d.request)
	}
}

// patient registers services whose unary requests must come in time.
type patient struct {
	grpc.ServiceRegistrar
	door *door
}

// RegisterService implements grpc.ServiceRegistrar.
func (p patient) RegisterService(desc *grpc.ServiceDesc, impl any) {
	own := *desc
	own.Methods = nil
	for _, m := range desc.Methods {
		handle := m.Handler
		m.Handler = func(srv any, ctx context.Context, decode func(any) error, between grpc.UnaryServerInterceptor) (any, error) {
			return handle(srv, ctx, func(v any) error { return p.door.soon(func() error { return decode(v) }) }, between)
		}
		own.Methods = append(own.Methods, m)
	}
	p.ServiceRegistrar.RegisterService(&own, impl)
}

// slow is a stream whose other side has to get on with it.
type slow struct {
	grpc.ServerStream
	door  *door
	waits bool // for one request, which must come in time
	pace  deliver.Pace
}

// RecvMsg implements grpc.ServerStream.
func (s *slow) RecvMsg(m any) error {
	if !s.waits {
		return s.ServerStream.RecvMsg(m)
	}
	return s.door.soon(func() error { return s.ServerStream.RecvMsg(m) })
}

// SendMsg implements grpc.ServerStream.
func (s *slow) SendMsg(m any) error {
	began, sent := s.door.clock.Now(), make(chan struct{})
	late := s.door.unless(s.Context(), sent, s.pace.Left())
	err := s.ServerStream.SendMsg(m)
	close(sent)
	if <-late {
		return deliver.Refuse(deliver.TooSlow, codes.DeadlineExceeded, "the answer is not read: in %v less than %d bytes a second came through", s.pace.Window, s.pace.Rate)
	}
	s.pace.Came(proto.Size(m.(proto.Message)), s.door.clock.Now().Sub(began))
	return err
}

// unless shuts the connection of a call after a time, unless something is done
// before. Who does not read its answer loses the connection: what waits to be
// read would stay in memory as long as that lives.
func (d *door) unless(ctx context.Context, done <-chan struct{}, after time.Duration) (shut <-chan bool) {
	due, stop := d.clock.Timer(after)
	late := make(chan bool, 1)
	go func() {
		defer stop()
		select {
		case <-done:
			late <- false
		case <-due:
			d.shut(ctx)
			late <- true
		}
	}()
	return late
}

// readSoon has the answer to a unary call read in time. Small ones lie in buffers
// that each call has anyway.
func (d *door) readSoon(ctx context.Context, answer any) {
	m, ok := answer.(proto.Message)
	call, has := ctx.Value(callKey{}).(*call)
	if !ok || !has || proto.Size(m) < 32<<10 {
		return
	}
	p := d.pace
	late := d.unless(ctx, call.over, p.Window+time.Duration(int64(proto.Size(m))/p.Rate)*time.Second)
	go func() {
		if <-late {
			d.metrics.Refused(deliver.TooSlow)
		}
	}()
}
