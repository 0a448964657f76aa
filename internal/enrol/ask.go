package enrol

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

var (
	// ErrRefused is returned when the collector will not have it.
	ErrRefused = errors.New("the collector refused it")
	// ErrUnreachable is returned when the collector could not be reached.
	ErrUnreachable = errors.New("the collector could not be reached")
)

// Join becomes a member by a token, with that key, at the collector at where. The
// connection must be one of trust.Joining for the token's authority.
func Join(ctx context.Context, conn grpc.ClientConnInterface, where string, t trust.Token, key ed25519.PrivateKey) (trust.Identity, error) {
	request, err := trust.Request(t.Member, key)
	if err != nil {
		return trust.Identity{}, fault.New("join", where, err)
	}
	m, err := pb.NewEnrolServiceClient(conn).Join(ctx, &pb.JoinRequest{Secret: t.Secret[:], CertificateRequest: request})
	if err != nil {
		return trust.Identity{}, explain("join", where, err)
	}
	id, err := trust.NewIdentity(key, m.GetCertificate(), m.GetAuthority(), where)
	if err == nil && (id.Member != t.Member || trust.FingerprintOf(id.Authority) != t.Authority) {
		err = errors.New("the certificate that came is not what the token is for")
	}
	if err != nil {
		return trust.Identity{}, fault.New("join", where, err)
	}
	return id, nil
}

// Renew gives the identity with a new certificate.
func Renew(ctx context.Context, conn grpc.ClientConnInterface, id trust.Identity) (trust.Identity, error) {
	m, err := pb.NewEnrolServiceClient(conn).Renew(ctx, &pb.RenewRequest{})
	if err != nil {
		return id, explain("renew certificate", id.Collector, err)
	}
	next, err := trust.NewIdentity(id.Key, m.GetCertificate(), m.GetAuthority(), id.Collector)
	if err == nil && (next.Member != id.Member || !slices.Equal(next.Authority.RawSubjectPublicKeyInfo, id.Authority.RawSubjectPublicKeyInfo)) {
		err = fmt.Errorf("the certificate that came is for %s and not for %s", next.Member, id.Member)
	}
	if err != nil {
		return id, fault.New("renew certificate", id.Collector, err)
	}
	return next, nil
}

// IssueToken has a collector make a token.
func IssueToken(ctx context.Context, conn grpc.ClientConnInterface, where string, w Wanted) (Issued, error) {
	i, err := issue(ctx, conn, where, w)
	if err != nil {
		return Issued{}, err
	}
	t, err := trust.ParseToken(i.Token)
	if err == nil && t.Member != w.Member {
		err = fmt.Errorf("the token that came is for %s", t.Member)
	}
	if err != nil {
		return Issued{}, fault.New("make token", where, err)
	}
	return i, nil
}

// VouchLoss makes a token for a member whose keys are lost, which a keeper of that
// roll signs for, and has the collector take it. What he signs is made of what the
// collector says of itself, so it is given back to be shown to him.
func VouchLoss(ctx context.Context, conn grpc.ClientConnInterface, where string, roll Roll, keeper trust.Identity, w Wanted) (Issued, trust.Loss, error) {
	t, err := trust.NewToken(w.Member, trust.Fingerprint{})
	if err == nil && (roll.Trail == "" || strings.ContainsFunc(roll.Trail, unicode.IsControl)) {
		err = fmt.Errorf("it calls its trail %q, and a keeper's word has to name that", roll.Trail)
	}
	if err != nil {
		return Issued{}, trust.Loss{}, fault.New("make token", where, err)
	}
	loss := trust.Loss{Trail: roll.Trail, Keeper: keeper.Name, Member: w.Member, Token: t.Secret.Hash(), Keys: roll.latest(w.Member), Why: w.Lost}
	w.By, w.Keys, w.Word = loss.Keeper, loss.Keys, loss.Sign(keeper.Key)
	i, err := issue(ctx, conn, where, w)
	if err != nil {
		return Issued{}, loss, err
	}
	t.Authority = i.Authority
	i.Token = t.String()
	return i, loss, nil
}

func issue(ctx context.Context, conn grpc.ClientConnInterface, where string, w Wanted) (i Issued, err error) {
	q := &pb.IssueTokenRequest{Role: string(w.Role), Name: w.Name, LifeNano: int64(w.Life), By: w.By, Lost: w.Lost}
	if s := w.Word; s != nil {
		q.Word = &pb.LossWord{TokenHash: s.Token[:], Keys: w.Keys, Signer: s.Key, Signature: s.Signature}
	}
	r, err := pb.NewMemberServiceClient(conn).IssueToken(ctx, q)
	if err != nil {
		return i, explain("make token", where, err)
	}
	i = Issued{Token: r.GetToken(), Expires: time.Unix(0, r.GetExpiresUnixNano()).UTC()}
	if copy(i.Authority[:], r.GetAuthority()) != len(i.Authority) {
		return i, fault.New("make token", where, errors.New("it names no authority")).WithHint("use programs of one version on both ends")
	}
	return i, nil
}

// latest gives the hashes of a member's good keys that no other came after.
func (r Roll) latest(m trust.Member) (sums [][]byte) {
	for _, s := range r.Members {
		for _, k := range s.Keys {
			if s.Member == m && k.Revoked == nil && !s.followed(k) {
				sum := sha256.Sum256(k.Key)
				sums = append(sums, sum[:])
			}
		}
	}
	return sums
}

// followed says whether another key came after one, by its signature.
func (s Summary) followed(k Key) bool {
	return slices.ContainsFunc(s.Keys, func(n Key) bool { return bytes.Equal(n.Before, k.Key) })
}

// Keeper finds the one among identities who is a keeper of the roll at present.
func (r Roll) Keeper(ids []trust.Identity) (trust.Identity, bool) {
	at := slices.IndexFunc(ids, func(id trust.Identity) bool {
		sum := sha256.Sum256(id.Key.Public().(ed25519.PublicKey))
		return id.Role == trust.Keeper && slices.ContainsFunc(r.latest(id.Member), func(l []byte) bool { return bytes.Equal(l, sum[:]) })
	})
	if at < 0 {
		return trust.Identity{}, false
	}
	return ids[at], true
}

// Members lists a collector's members.
func Members(ctx context.Context, conn grpc.ClientConnInterface, where string) (Roll, error) {
	r, err := pb.NewMemberServiceClient(conn).ListMembers(ctx, &pb.ListMembersRequest{})
	if err != nil {
		return Roll{}, explain("list members", where, err)
	}
	out := Roll{Trail: r.GetTrail()}
	for _, m := range r.GetMembers() {
		s := Summary{Member: trust.Member{Role: trust.Role(m.GetRole()), Name: m.GetName()}}
		if n := m.GetTokenUntilUnixNano(); n != 0 {
			s.TokenUntil = time.Unix(0, n).UTC()
		}
		for _, k := range m.GetKeys() {
			c := Key{Key: k.GetPublicKey(), Admitted: time.Unix(0, k.GetAdmittedUnixNano()).UTC(), By: k.GetBy(), Index: k.GetIndex(), Before: k.GetBefore(), Lost: k.GetLost(), LostKeys: k.GetLostKeys(), Signer: k.GetLostSigner()}
			if r := k.GetRevoked(); r != nil {
				c.Revoked = &Revocation{time.Unix(0, r.GetAtUnixNano()).UTC(), r.GetBy(), r.GetWhy(), r.GetIndex()}
			}
			s.Keys = append(s.Keys, c)
		}
		out.Members = append(out.Members, s)
	}
	return out, nil
}

// Revoke revokes all keys of a name and gives how many there were.
func Revoke(ctx context.Context, conn grpc.ClientConnInterface, where, name, by, why string) (int, error) {
	r, err := pb.NewMemberServiceClient(conn).Revoke(ctx, &pb.RevokeRequest{Name: name, By: by, Why: why})
	if err != nil {
		return 0, explain("revoke", where, err)
	}
	return int(r.GetKeys()), nil
}

// explain makes one line of what gRPC says.
func explain(what, where string, err error) error {
	st := status.Convert(err)
	msg, hint, _ := strings.Cut(st.Message(), hintLine)
	switch st.Code() {
	case codes.Canceled:
		return context.Canceled
	case codes.Unavailable, codes.DeadlineExceeded:
		return fault.New(what, where, fmt.Errorf("%w: %s", ErrUnreachable, fault.Network(msg))).
			WithHint("is the collector running, and is the address right?")
	case codes.PermissionDenied, codes.Unauthenticated, codes.InvalidArgument:
		return fault.New(what, where, fmt.Errorf("%w: %s", ErrRefused, msg)).WithHint(cmp.Or(hint, refused[what], "ask a keeper of that collector"))
	case codes.NotFound:
		return fault.New(what, where, errors.New(msg)).WithHint(hint)
	case codes.Unimplemented:
		return fault.New(what, where, errors.New("it does not know this question")).WithHint("use programs of one version on both ends")
	}
	return fault.New(what, where, errors.New(msg)).WithHint(cmp.Or(hint, "the collector's log may say more"))
}

// refused says what to do when a collector will not have something.
var refused = map[string]string{
	"join":       "have a keeper make a new token for this role and name; a key that is revoked, of another name, or that another came after cannot join: use another --state, or move key.pem out of the state folder",
	"rotate key": succeeded, "renew certificate": succeeded,
	"list members": "ask a keeper of that collector; where another key came after yours, name the folder that has it: --state DIR",
	"make token":   "only keepers make tokens; collector members shows whose the names are, and which keys are good",
}

const succeeded = "where another key came after this one, go over to that with rekey; where that is gone, move key.pem and key.next.pem away and have a keeper make a token: collector token --lost WHY; where this one was revoked, without --lost"
