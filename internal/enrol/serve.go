package enrol

import (
	"context"
	"crypto/sha256"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

// Certified is a certificate and the authority's that it is of, both as DER.
type Certified struct{ Leaf, Authority []byte }

// Issued is a token that was made.
type Issued struct {
	Token     string // "" where the collector does not have its secret
	Expires   time.Time
	Authority trust.Fingerprint // that it is for
}

// Wanted is a token that is to be made.
type Wanted struct {
	trust.Member
	Life time.Duration
	By   string      // who decides it
	Lost string      // why the keys that the member has are lost; "" where none is
	Keys [][]byte    // those that the word is of, by their SHA-256
	Word *trust.Word // what the keeper By has signed of it; nil where no keeper has
}

// Roll is the members of a collector, and what names it.
type Roll struct {
	Members []Summary // by name
	Trail   string    // its origin
}

// Clerk keeps the roll of members. An error that is a trust.Refusal goes through
// to the server as it is, which knows how to answer it.
type Clerk interface {
	// Join spends a token's secret on the key in a certificate request.
	Join(ctx context.Context, secret trust.Secret, request []byte) (Certified, error)
	// Renew certifies the caller's key anew.
	Renew(ctx context.Context) (Certified, error)
	// Rotate puts the key of a certificate request in the place of the caller's, which
	// has signed that.
	Rotate(ctx context.Context, request, signature []byte) (Certified, error)
	// IssueToken makes a token. Of one whose secret the caller has made it knows no text.
	IssueToken(ctx context.Context, w Wanted) (Issued, error)
	// Members lists who is a member, or was, by name.
	Members(ctx context.Context) (Roll, error)
	// Revoke revokes all keys of a name and says how many; ErrNotFound says that
	// it has none.
	Revoke(ctx context.Context, name, by, why string) (int, error)
}

// ErrNotFound is returned for a name that is no member's.
var ErrNotFound = errors.New("no member")

// Summary is a member with its keys, oldest first.
type Summary struct {
	trust.Member
	Keys       []Key
	TokenUntil time.Time // when the last token that waits for it ends; zero when none waits
}

// Key is one key that was admitted for a member.
type Key struct {
	Key      []byte
	Admitted time.Time
	By       string
	Index    int64       // of its entry in the trail
	Before   []byte      // the key that signed for it; nil where By's word admitted it
	Lost     string      // why the keys in whose place it is are lost; "" where none is
	LostKeys [][]byte    // those, by their SHA-256
	Signer   []byte      // the keeper's key that signed that they are lost; nil where none has
	Revoked  *Revocation // nil while it is good
}

// Revocation is why a key is not good any more.
type Revocation struct {
	At      time.Time
	By, Why string
	Index   int64
}

// Good says whether one of the member's keys is.
func (s Summary) Good() bool {
	for _, k := range s.Keys {
		if k.Revoked == nil {
			return true
		}
	}
	return false
}

// Register adds both services to a gRPC server.
func Register(s grpc.ServiceRegistrar, c Clerk) {
	pb.RegisterEnrolServiceServer(s, &enrolling{clerk: c})
	pb.RegisterMemberServiceServer(s, &keeping{clerk: c})
}

type enrolling struct {
	pb.UnimplementedEnrolServiceServer
	clerk Clerk
}

type keeping struct {
	pb.UnimplementedMemberServiceServer
	clerk Clerk
}

func (s *enrolling) Join(ctx context.Context, q *pb.JoinRequest) (*pb.JoinResponse, error) {
	var secret trust.Secret
	if copy(secret[:], q.GetSecret()) != len(q.GetSecret()) || len(q.GetSecret()) != len(secret) {
		return nil, status.Errorf(codes.InvalidArgument, "a token's secret of %d bytes came; it has %d", len(q.GetSecret()), len(secret))
	}
	c, err := s.clerk.Join(ctx, secret, q.GetCertificateRequest())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.JoinResponse{Certificate: c.Leaf, Authority: c.Authority}, nil
}

func (s *enrolling) Renew(ctx context.Context, _ *pb.RenewRequest) (*pb.RenewResponse, error) {
	c, err := s.clerk.Renew(ctx)
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.RenewResponse{Certificate: c.Leaf, Authority: c.Authority}, nil
}

// The bounds of a token's life.
const (
	shortestToken = time.Second
	LongestToken  = 30 * 24 * time.Hour
)

func (s *keeping) IssueToken(ctx context.Context, q *pb.IssueTokenRequest) (*pb.IssueTokenResponse, error) {
	m, life := trust.Member{Role: trust.Role(q.GetRole()), Name: q.GetName()}, time.Duration(q.GetLifeNano())
	switch {
	case !m.Role.Joins():
		return nil, status.Errorf(codes.InvalidArgument, "a token is for a rig, an analyst, a keeper or a witness, and not for a %q", q.GetRole())
	case !trust.ValidName(m.Name):
		return nil, status.Errorf(codes.InvalidArgument, "the name %q is empty, too long or holds a control character", m.Name)
	case q.GetBy() != "" && !trust.ValidName(q.GetBy()):
		return nil, status.Errorf(codes.InvalidArgument, "who decides it, %q, is too long or holds a control character", q.GetBy())
	case q.GetLost() != "" && !trust.ValidWhy(q.GetLost()):
		return nil, status.Errorf(codes.InvalidArgument, "why the key is lost takes up to %d bytes without control characters", trust.MaxWhy)
	case life < shortestToken || life > LongestToken:
		return nil, status.Errorf(codes.InvalidArgument, "a token lasts from %v to %v, and not %v", shortestToken, LongestToken, life)
	}
	want := Wanted{Member: m, Life: life, By: q.GetBy(), Lost: q.GetLost()}
	if w := q.GetWord(); w != nil {
		if want.Lost == "" || len(w.GetTokenHash()) != sha256.Size {
			return nil, status.Error(codes.InvalidArgument, "a keeper's word is of a loss, and of the hash of a token's secret")
		}
		want.Keys = w.GetKeys()
		want.Word = &trust.Word{Token: [sha256.Size]byte(w.GetTokenHash()), Key: w.GetSigner(), Signature: w.GetSignature()}
	}
	t, err := s.clerk.IssueToken(ctx, want)
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.IssueTokenResponse{Token: t.Token, ExpiresUnixNano: t.Expires.UnixNano(), Authority: t.Authority[:]}, nil
}

func (s *keeping) ListMembers(ctx context.Context, _ *pb.ListMembersRequest) (*pb.ListMembersResponse, error) {
	all, err := s.clerk.Members(ctx)
	if err != nil {
		return nil, statusOf(err)
	}
	m := &pb.ListMembersResponse{Trail: all.Trail}
	for _, s := range all.Members {
		m.Members = append(m.Members, s.proto())
	}
	return m, nil
}

func (s Summary) proto() *pb.MemberSummary {
	m := &pb.MemberSummary{Name: s.Name, Role: string(s.Role)}
	if !s.TokenUntil.IsZero() {
		m.TokenUntilUnixNano = s.TokenUntil.UnixNano()
	}
	for _, k := range s.Keys {
		p := &pb.MemberKey{PublicKey: k.Key, AdmittedUnixNano: k.Admitted.UnixNano(), By: k.By, Index: k.Index, Before: k.Before, Lost: k.Lost, LostKeys: k.LostKeys, LostSigner: k.Signer}
		if r := k.Revoked; r != nil {
			p.Revoked = &pb.KeyRevocation{AtUnixNano: r.At.UnixNano(), By: r.By, Why: r.Why, Index: r.Index}
		}
		m.Keys = append(m.Keys, p)
	}
	return m
}

func (s *keeping) Revoke(ctx context.Context, q *pb.RevokeRequest) (*pb.RevokeResponse, error) {
	if q.GetWhy() == "" {
		return nil, status.Error(codes.InvalidArgument, "a revocation must say why")
	}
	n, err := s.clerk.Revoke(ctx, q.GetName(), q.GetBy(), q.GetWhy())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.RevokeResponse{Keys: int64(n)}, nil
}

const hintLine = "\nhint: "

// statusOf carries an error to the other end, its hint on a line of its own.
func statusOf(err error) error {
	if trust.ReasonOf(err) != "" {
		return err
	}
	code := codes.Internal
	switch {
	case errors.Is(err, ErrNotFound):
		code = codes.NotFound
	case errors.Is(err, context.Canceled):
		code = codes.Canceled
	}
	msg := err.Error()
	if h := fault.HintOf(err); h != "" {
		msg += hintLine + h
	}
	return status.Error(code, msg)
}
