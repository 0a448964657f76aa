package trust

import (
	"context"
	"crypto/ed25519"
	"crypto/x509"
	"errors"
	"net/url"
	"strings"
	"time"
	"unicode"
)

// Role is what a member may do.
type Role string

// The roles. A rig delivers and beats under its own name; an analyst reads; a
// keeper also marks, retracts, backs up and admits members; a witness copies all
// and signs heads of the trail; the owner is whoever has the collector's folder.
// A collector is the other end.
const (
	Rig       Role = "rig"
	Analyst   Role = "analyst"
	Keeper    Role = "keeper"
	Witness   Role = "witness"
	Owner     Role = "owner"
	Collector Role = "collector"
)

// roles gives each its number in a token; it never changes.
var roles = [...]Role{1: Rig, 2: Analyst, 3: Keeper, 4: Witness}

// Joins says whether somebody can become of that role by a token.
func (r Role) Joins() bool { return r.number() != 0 }

func (r Role) number() byte {
	for i, known := range roles {
		if r == known && i > 0 {
			return byte(i)
		}
	}
	return 0
}

// MaxName is the most bytes a name has.
const MaxName = 120

// ValidName holds names to what records take for a rig's.
func ValidName(s string) bool {
	return s != "" && len(s) <= MaxName &&
		!strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == unicode.ReplacementChar })
}

// Member is somebody with a part to play.
type Member struct {
	Role Role
	Name string
}

func (m Member) String() string { return string(m.Role) + " " + m.Name }

const scheme = "witnessmark"

func (m Member) uri() *url.URL {
	return &url.URL{Scheme: scheme, Opaque: string(m.Role) + "/" + url.PathEscape(m.Name)}
}

var errURI = errors.New("it does not say who it is for")

// memberOf reads the one URI of ours in a certificate or a request; ok is false
// when there is none.
func memberOf(uris []*url.URL) (m Member, ok bool, err error) {
	for _, u := range uris {
		if u.Scheme != scheme {
			continue
		}
		role, escaped, _ := strings.Cut(u.Opaque, "/")
		name, err := url.PathUnescape(escaped)
		m = Member{Role(role), name}
		if ok || err != nil || len(role) > MaxName || !ValidName(name) || m.uri().String() != u.String() {
			return Member{}, false, errURI
		}
		ok = true
	}
	return m, ok, nil
}

// Certified says whom a certificate is for.
func Certified(c *x509.Certificate) (Member, error) {
	m, ok, err := memberOf(c.URIs)
	if err == nil && !ok {
		err = errURI
	}
	return m, err
}

// Peer is who is at the other end of a call.
type Peer struct {
	Member
	Key   ed25519.PublicKey
	Until time.Time // the end of its certificate
}

type peerKey struct{}

// WithPeer gives a context of a call by p.
func WithPeer(ctx context.Context, p Peer) context.Context {
	return context.WithValue(ctx, peerKey{}, p)
}

// PeerOf gives who calls. Without one nobody does: it is this process that acts.
func PeerOf(ctx context.Context) (Peer, bool) {
	p, ok := ctx.Value(peerKey{}).(Peer)
	return p, ok
}

// Owns refuses a rig what belongs to another rig; everybody else passes. The
// error is ErrDenied.
func Owns(ctx context.Context, rig, what string) error {
	p, ok := PeerOf(ctx)
	if !ok || p.Role != Rig || p.Name == rig {
		return nil
	}
	return Deny(OfAnother, "%s is of rig %q, and this is rig %q", what, rig, p.Name)
}
