package collect

import (
	"context"
	"crypto/ed25519"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"witnessmark/internal/trust"
)

// who is a set of roles.
type who uint8

const (
	rigs who = 1 << iota
	analysts
	keepers
	witnesses
	// forgotten are who show a certificate of the collector's authority for a key of
	// which its trail knows nothing: members, where it was put back to before they joined,
	// or of another collector that the authority certifies for.
	forgotten
	strangers // who show no certificate of a member

	asking  = analysts | keepers
	members = rigs | asking | witnesses
	anybody = members | forgotten | strangers
)

func roleOf(r trust.Role) who {
	return map[trust.Role]who{trust.Rig: rigs, trust.Analyst: analysts, trust.Keeper: keepers, trust.Witness: witnesses}[r]
}

const rotating = "/witnessmark.v1.EnrolService/Rotate"

// rights says who may call what. What is not in it nobody may; what is, the
// owner may, too. What belongs to a rig a rig may ask and give for itself alone:
// trust.Owns, where the method is carried out.
var rights = map[string]who{
	"/witnessmark.v1.DeliveryService/Deliver": rigs,
	"/witnessmark.v1.DeliveryService/GetHead": members | forgotten, // by it they tell that the trail was put back
	"/witnessmark.v1.BeatService/Beat":        rigs,
	"/witnessmark.v1.BeatService/GetTime":     members,

	"/witnessmark.v1.AnswerService/ListRigs":       asking,
	"/witnessmark.v1.AnswerService/ListRuns":       asking,
	"/witnessmark.v1.AnswerService/ListKept":       asking,
	"/witnessmark.v1.AnswerService/ShowRun":        asking,
	"/witnessmark.v1.AnswerService/ReadAttachment": asking,
	"/witnessmark.v1.AnswerService/MakeDossier":    asking,
	"/witnessmark.v1.AnswerService/FollowFlags":    asking,
	"/witnessmark.v1.AnswerService/GetState":       asking,
	"/witnessmark.v1.AnswerService/GetMark":        rigs | asking,
	"/witnessmark.v1.AnswerService/AcceptMark":     keepers,
	"/witnessmark.v1.AnswerService/Retract":        keepers,
	"/witnessmark.v1.AnswerService/Reinstate":      keepers,
	"/witnessmark.v1.AnswerService/Rekey":          keepers,
	"/witnessmark.v1.AnswerService/Backup":         keepers,
	"/witnessmark.v1.AnswerService/CheckArchive":   keepers,

	"/witnessmark.v1.FollowService/Follow": asking | witnesses,
	"/witnessmark.v1.FollowService/Cosign": witnesses,

	"/witnessmark.v1.EnrolService/Join":         anybody,
	"/witnessmark.v1.EnrolService/Renew":        members,
	rotating:                                    members,
	"/witnessmark.v1.MemberService/IssueToken":  keepers,
	"/witnessmark.v1.MemberService/ListMembers": keepers,
	"/witnessmark.v1.MemberService/Revoke":      keepers,

	"/grpc.health.v1.Health/Check":                                   anybody,
	"/grpc.health.v1.Health/List":                                    members,
	"/grpc.health.v1.Health/Watch":                                   members,
	"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo":      members,
	"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": members,
}

// Reasons for refusing a call.
const (
	noRight   = "no_right"
	keyGone   = "key_revoked"
	keyNobody = "key_of_nobody"
	// wordMissing is why a keeper's token for lost keys is not made.
	wordMissing = "word_missing"
)

// allow says whether the call may be made, and gives it the context that says by
// whom. In process it is the owner who calls.
func (c *Collector) allow(ctx context.Context, method string, secured bool) (context.Context, error) {
	may, known := rights[method]
	if !known {
		return ctx, status.Error(codes.Unimplemented, "this collector has no such method; it may be older than who asks")
	}
	if !secured {
		return trust.WithPeer(ctx, trust.Peer{Member: trust.Member{Role: trust.Owner}}), nil
	}
	p, err := c.caller(ctx)
	if err == nil && method != rotating { // which is asked again where its answer was lost
		err = c.latest(ctx, p)
	}
	if p.Role != trust.Owner || err != nil {
		if err := c.onlyRead(method); err != nil {
			return ctx, err
		}
	}
	nobody := strangers
	if trust.ReasonOf(err) == keyNobody {
		nobody |= forgotten
	}
	switch {
	case err != nil && may&nobody != 0:
		return ctx, nil
	case err != nil:
		return ctx, err
	case p.Role != trust.Owner && roleOf(p.Role)&may == 0:
		return ctx, trust.Deny(noRight, "%s may not call %s, which is for %s", p.Member, method[strings.LastIndexByte(method, '/')+1:], may)
	}
	return trust.WithPeer(ctx, p), nil
}

// caller says who calls over a connection, and that he is a member yet.
func (c *Collector) caller(ctx context.Context) (trust.Peer, error) {
	pr, ok := peer.FromContext(ctx)
	if !ok {
		return trust.Peer{}, trust.Deny(trust.NoCertificate, "the call came over no connection")
	}
	m, ok := pr.AuthInfo.(met)
	if !ok {
		return trust.Peer{}, trust.Deny(trust.NoCertificate, "the connection is not secured")
	}
	switch {
	case m.err != nil:
		return m.peer, m.err
	case m.peer.Role == trust.Owner:
		return m.peer, c.stillOwner(ctx, m.peer.Key)
	}
	return m.peer, c.good(m.peer.Key, m.peer.Member)
}

// stillOwner refuses an owner's key that is not, or not any more, the one in the
// folder: a copy of the file is good for no longer than the file.
func (c *Collector) stillOwner(ctx context.Context, key ed25519.PublicKey) error {
	if c.isOwner(key) {
		return nil
	}
	return c.ended(ctx, trust.Deny(keyGone, "the owner's identity in the collector's folder is another by now"))
}

func (c *Collector) isOwner(key ed25519.PublicKey) bool {
	return slices.ContainsFunc(Owner(c.dir)(), func(id trust.Identity) bool { return key.Equal(id.Leaf.PublicKey) })
}

func (w who) String() string {
	var names []string
	for _, r := range []struct {
		who
		name string
	}{{rigs, "rigs"}, {analysts, "analysts"}, {keepers, "keepers"}, {witnesses, "witnesses"}} {
		if w&r.who != 0 {
			names = append(names, r.name)
		}
	}
	return strings.Join(names, " and ")
}
