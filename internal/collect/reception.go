package collect

import (
	"context"
	"crypto/x509"
	"fmt"
	"net"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// reception is how the members of a collector reach a copy of it, to read: by the
// witness's certificate, and known by the collector's authority and the copied
// roll. The copy's owner comes in by a listener of his own on loopback.
type reception struct {
	credentials.TransportCredentials
	listener  net.Listener // the owner's
	authority *x509.Certificate
}

// receptionOf makes the reception of a copy, with the owner's listener.
func receptionOf(who func() (trust.Identity, bool), now func() time.Time) (*reception, error) {
	id, ok := who()
	if !ok {
		return nil, nil
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fault.New("serve copy", "127.0.0.1:0", err)
	}
	creds := credentials.NewTLS(trust.CopyServer(id.Authority, who, now))
	return &reception{creds, l, id.Authority}, nil
}

func (r *reception) own(conn net.Conn) bool {
	return conn.LocalAddr().String() == r.listener.Addr().String()
}

func (r *reception) identify(shown []*x509.Certificate, now time.Time) (trust.Peer, error) {
	return trust.IdentifyBy(r.authority, shown, now)
}

// close lets the owner's listener of a copy go.
func (d *gate) close() error {
	if d.copy == nil {
		return nil
	}
	return d.copy.listener.Close()
}

// serves says why the copy cannot be served to others by a witness's certificate; nil
// when it can, and where there is none to serve by.
func (f Following) serves(now time.Time) error {
	if f.As == nil {
		return nil
	}
	id, ok := f.As()
	if !ok {
		return nil
	}
	if err := id.Serves(now); err != nil {
		return fault.New("serve copy", id.Member.String(), fmt.Errorf("its certificate is not one to serve by: %w", err)).
			WithHint("start again once that collector runs this version, which renews the certificate; or log in anew: collector login --collector " + f.Source + " --token TOKEN, of a witness")
	}
	return nil
}

// reading is what members may ask of a copy, within their rights.
var reading = map[string]bool{
	"/witnessmark.v1.DeliveryService/GetHead":      true,
	"/witnessmark.v1.AnswerService/ListRigs":       true,
	"/witnessmark.v1.AnswerService/ListRuns":       true,
	"/witnessmark.v1.AnswerService/ListKept":       true,
	"/witnessmark.v1.AnswerService/ShowRun":        true,
	"/witnessmark.v1.AnswerService/ReadAttachment": true,
	"/witnessmark.v1.AnswerService/MakeDossier":    true,
	"/witnessmark.v1.AnswerService/FollowFlags":    true,
	"/witnessmark.v1.AnswerService/GetState":       true,
	"/witnessmark.v1.AnswerService/GetMark":        true,
	"/witnessmark.v1.AnswerService/Backup":         true,
	"/witnessmark.v1.AnswerService/CheckArchive":   true,
	"/witnessmark.v1.FollowService/Follow":         true,
	"/grpc.health.v1.Health/Check":                 true,
	"/grpc.health.v1.Health/List":                  true,
	"/grpc.health.v1.Health/Watch":                 true,
}

const ofACopy = "copy"

// onlyRead refuses members what would write into a copy.
func (c *Collector) onlyRead(method string) error {
	if c.copyOf == "" || reading[method] {
		return nil
	}
	return trust.Deny(ofACopy, "this is a copy that follows %s, and is only read: that goes to the collector itself", c.copyOf)
}

// rollMoved goes by the roll as it is now: whose key has ended in it loses his
// connections, but for the one that the call came by, which is to be answered.
func (c *Collector) rollMoved(ctx context.Context) {
	c.roll.forget()
	by, called := peer.FromContext(ctx)
	c.guests.leaveUnless(func(n *guest) bool {
		return n.peer.Role == trust.Owner || called && n.RemoteAddr().String() == by.Addr.String() || c.stands(n.peer)
	})
}

// stands says whether somebody's key has not ended.
func (c *Collector) stands(p trust.Peer) bool {
	if p.Role == trust.Owner {
		return c.isOwner(p.Key)
	}
	next, err := c.after(p)
	return err == nil && next == nil && c.good(p.Key, p.Member) == nil
}

// leaveUnless closes the connections that may not stay.
func (g *guests) leaveUnless(stays func(*guest) bool) {
	g.mu.Lock()
	var all []*guest
	for n := range g.conns {
		all = append(all, n)
	}
	g.mu.Unlock()
	for _, n := range all {
		if !stays(n) {
			n.Conn.Close() // gRPC notices, and closes the guest
		}
	}
}
