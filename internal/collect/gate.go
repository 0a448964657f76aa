package collect

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"witnessmark/internal/trust"
)

// gate is where connections come in: mutual TLS, with a note of whose each is, so
// that those of somebody who is a member no more can be closed.
type gate struct {
	credentials.TransportCredentials
	authority *trust.Authority
	c         *Collector
	copy      *reception // of a copy that others may read; nil elsewhere
}

func (c *Collector) gate(a *trust.Authority) *gate {
	return &gate{TransportCredentials: credentials.NewTLS(a.Server(localName(), c.now)), authority: a, c: c}
}

// Clone implements credentials.TransportCredentials.
func (d *gate) Clone() credentials.TransportCredentials {
	return &gate{d.TransportCredentials.Clone(), d.authority, d.c, d.copy}
}

// met is what is known of the other end of a connection. With an error nothing
// is, and whoever it is may only join.
type met struct {
	credentials.TLSInfo
	peer trust.Peer
	good bool // whether the peer's key had not ended yet then
	err  error
}

// ServerHandshake implements credentials.TransportCredentials.
func (d *gate) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	creds, identify := d.TransportCredentials, d.authority.Identify
	if d.copy != nil && !d.copy.own(raw) {
		creds, identify = d.copy.TransportCredentials, d.copy.identify
	}
	conn, info, err := creds.ServerHandshake(raw)
	if errors.Is(err, io.EOF) { // only looked whether somebody listens
		return conn, info, err
	}
	if err != nil {
		d.c.metrics.Refused("handshake")
		d.c.refusals.write("handshake", host(raw.RemoteAddr()), "no handshake", "from", raw.RemoteAddr().String(), "error", err)
		return conn, info, err
	}
	m := met{TLSInfo: info.(credentials.TLSInfo)}
	m.peer, m.err = identify(m.State.PeerCertificates, d.c.now())
	if m.err != nil {
		return conn, m, nil
	}
	m.good = d.c.stands(m.peer)
	life := m.peer.Until.Sub(d.c.now())
	if !m.good {
		life = min(life, toldFor)
	}
	return d.c.guests.enter(conn, m.peer, life), m, nil
}

// toldFor is how long who came with a key that has ended is told so over one
// connection. The certificate of the key after it may have been on its way to him,
// and then he comes back with that.
var toldFor = 20 * time.Second

// guests are the connections of members.
type guests struct {
	mu    sync.Mutex
	conns map[*guest]bool
}

type guest struct {
	net.Conn
	peer  trust.Peer
	all   *guests
	timer *time.Timer // closes it when the certificate ends, or has, so that one that came after it is shown
}

func (g *guests) enter(conn net.Conn, p trust.Peer, life time.Duration) net.Conn {
	n := &guest{Conn: conn, peer: p, all: g}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.conns == nil {
		g.conns = map[*guest]bool{}
	}
	g.conns[n] = true
	n.timer = time.AfterFunc(life, func() { conn.Close() })
	return n
}

// Close implements net.Conn.
func (n *guest) Close() error {
	n.all.mu.Lock()
	delete(n.all.conns, n)
	n.all.mu.Unlock()
	n.timer.Stop()
	return n.Conn.Close()
}

// leave closes all connections of a name.
func (g *guests) leave(name string) (closed int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for n := range g.conns {
		if n.peer.Name == name && n.peer.Role != trust.Owner {
			n.Conn.Close() // gRPC notices, and closes the guest
			closed++
		}
	}
	return closed
}

// turnedAway is a refusal as it goes to the other end.
type turnedAway struct{ why *trust.Refusal }

func (t turnedAway) Error() string   { return t.why.Error() }
func (t turnedAway) Unwrap() error   { return t.why }
func (t turnedAway) Refusal() string { return t.why.Reason }

// GRPCStatus gives what the other end gets to know.
func (t turnedAway) GRPCStatus() *status.Status {
	code := codes.PermissionDenied
	if t.why.Kind == trust.ErrUnknown {
		code = codes.Unauthenticated
	}
	return status.New(code, t.why.Why)
}

// answered turns a refusal into what goes to the other end, and writes down who
// was refused what. Other errors stay as they are.
func (c *Collector) answered(ctx context.Context, method string, err error) error {
	var r *trust.Refusal
	if !errors.As(err, &r) {
		return err
	}
	from, said := "", []any{"method", method, "reason", r.Reason, "why", r.Why}
	if p, ok := peer.FromContext(ctx); ok {
		from, said = host(p.Addr), append(said, "from", p.Addr.String())
		if m, ok := p.AuthInfo.(met); ok && m.err == nil {
			said = append(said, "member", m.peer.String())
		}
	}
	c.refusals.write(r.Reason, from, "refused", said...)
	return turnedAway{r}
}

// enterUnary and enterStream are what every call goes through: who may make it,
// how long it may take, and no fault of it ends the collector.
func (c *Collector) enterUnary(with serving) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (reply any, err error) {
		defer c.survive(info.FullMethod, &err)
		defer c.calls.begin(info.FullMethod)()
		by, err := c.allow(ctx, info.FullMethod, with.gate != nil)
		if err == nil {
			reply, err = next(by, req)
			c.door.readSoon(ctx, reply)
		}
		return reply, c.answered(ctx, info.FullMethod, err)
	}
}

func (c *Collector) enterStream(with serving) grpc.StreamServerInterceptor {
	return func(srv any, st grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
		defer c.survive(info.FullMethod, &err)
		defer c.calls.begin(info.FullMethod)()
		by, err := c.allow(st.Context(), info.FullMethod, with.gate != nil)
		if err == nil {
			err = with.mayReflect(st.Context(), info.FullMethod)
		}
		if err == nil {
			timely := called{&slow{st, c.door, !info.IsClientStream, c.door.pace}, by}
			err = c.calls.stream(timely, info.FullMethod, func(st grpc.ServerStream) error { return next(srv, st) })
		}
		return c.answered(st.Context(), info.FullMethod, err)
	}
}

// called is a stream that says by whom it is.
type called struct {
	grpc.ServerStream
	by context.Context
}

func (s called) Context() context.Context { return s.by }
