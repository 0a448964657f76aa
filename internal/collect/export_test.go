package collect

import (
	"cmp"
	"context"
	"crypto/tls"
	"log/slog"
	"maps"
	"net"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/emptypb"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/setup"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
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

// ScanEvery has collectors look over their archives more often, or less.
func ScanEvery(t testing.TB, d time.Duration) {
	before := scanEvery
	scanEvery = d
	t.Cleanup(func() { scanEvery = before })
}

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

// Reflecting is a server with reflection, without an archive.
func Reflecting(beyond func() bool) *grpc.Server {
	c := New(nil, time.Now, slog.New(slog.DiscardHandler))
	s, _ := c.server(serving{limits: func() deliver.Limits { return deliver.DefaultLimits }, reflection: beyond})
	return s
}

// HangingServer is a collector's server with a method that ends when release is
// closed and not before, and stop ends it as Serve does.
func HangingServer(log *slog.Logger, l net.Listener, release chan bool) (stop func() bool) {
	c := New(nil, time.Now, log)
	s, _ := c.server(serving{limits: func() deliver.Limits { return deliver.DefaultLimits }})
	s.RegisterService(&grpc.ServiceDesc{ServiceName: "dome.Service", HandlerType: (*any)(nil), Streams: []grpc.StreamDesc{{
		StreamName: "Hang", ServerStreams: true, Handler: func(_ any, st grpc.ServerStream) error {
			st.SendMsg(&emptypb.Empty{})
			<-release
			return nil
		},
	}}}, nil)
	const hang = "/dome.Service/Hang"
	rights[hang] = anybody
	go s.Serve(c.door.watch(l))
	return func() bool { defer delete(rights, hang); return c.stopServing(s) }
}

// Vitals gives what looks whether all serves, for who asks, within patience, and what
// others who watch are then told of it.
func Vitals(c *Collector, patience time.Duration) (look func(ctx context.Context), told func() string) {
	_, v := c.server(serving{limits: func() deliver.Limits { return deliver.DefaultLimits }})
	v.patience = patience
	return v.refresh, func() string {
		r, _ := v.Server.Check(context.Background(), &healthpb.HealthCheckRequest{})
		return r.GetStatus().String()
	}
}

// Silence has the archive never answer the question whether it can be read.
func Silence(c *Collector) { c.pulse.asked = &reply{done: make(chan struct{})} }

// Rights says in words who may call a method; "" for nobody.
func Rights(method string) string { return rights[method].String() }

// MethodsWithRights gives the methods that somebody may call.
func MethodsWithRights() []string { return slices.Collect(maps.Keys(rights)) }

// DialWith connects as one identity that shows the certificate of another, if it
// is asked for one or not.
func DialWith(t testing.TB, address string, believes, shows trust.Identity) *Connection {
	t.Helper()
	c := trust.Client(func() []trust.Identity { return []trust.Identity{believes} }, time.Now)
	c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
		return &tls.Certificate{Certificate: [][]byte{shows.Leaf.Raw}, PrivateKey: shows.Key}, nil
	}
	conn, err := dial(address, c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// Disk has the collector ask something else for the room on its disk.
func (c *Collector) Disk(free func(dir string) (free, size int64, err error), floor setup.Floor) {
	c.room.free, c.room.floor = free, func() setup.Floor { return floor }
}

// FloorOn is the floor on a file system of that size.
var FloorOn = floorOn

// Refusals is how a collector writes down what it refuses: for a reason, to an
// address; and the end of the window in which it is bounded.
func Refusals(log *slog.Logger) (refuse func(reason, from string), end func()) {
	r := refusals{log: log}
	return func(reason, from string) { r.write(reason, from, "refused", "reason", reason, "from", from) }, r.end
}

// Followed serves the collector's trail to followers; before it says how a head
// belongs to the trail, grow is called.
func Followed(c *Collector, grow func()) *grpc.Server {
	s := grpc.NewServer()
	follow.Register(s, growing{source{c}, grow})
	return s
}

type growing struct {
	source
	grow func()
}

func (g growing) From(head []byte) ([]byte, int64, []trail.Hash, bool, error) {
	g.grow()
	return g.source.From(head)
}

// FollowedAsItRekeys serves the collector's trail to followers; once it has said by which
// key that is signed, change is called.
func FollowedAsItRekeys(c *Collector, change func()) *grpc.Server {
	s := grpc.NewServer()
	follow.Register(s, rekeying{source{c}, change})
	return s
}

type rekeying struct {
	source
	change func()
}

func (r rekeying) Line() (trail.Line, error) {
	line, err := r.source.Line()
	r.change()
	return line, err
}

// Word gives what leaves an owner's identity and the address in a folder.
func Word(dir string, a *trust.Authority, address string) (leave func() error) {
	c := New(nil, time.Now, slog.New(slog.DiscardHandler))
	c.dir = dir
	return (&word{c: c, authority: a, address: address}).leave
}
