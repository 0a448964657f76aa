package enrol

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"

	"google.golang.org/grpc"

	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

// Rotate has a collector admit another key for the member that id is, over a
// connection that id was used for, and gives who the member is with that key. It
// may be asked again when its answer was lost.
func Rotate(ctx context.Context, conn grpc.ClientConnInterface, id trust.Identity, next ed25519.PrivateKey) (trust.Identity, error) {
	request, err := trust.Request(id.Member, next)
	if err != nil {
		return id, fault.New("rotate key", id.Collector, err)
	}
	r := trust.Rotation{Member: id.Member, Authority: trust.FingerprintOf(id.Authority),
		Before: id.Key.Public().(ed25519.PublicKey), After: sha256.Sum256(next.Public().(ed25519.PublicKey))}
	m, err := pb.NewEnrolServiceClient(conn).Rotate(ctx, &pb.RotateRequest{CertificateRequest: request, Signature: r.Sign(id.Key)})
	if err != nil {
		return id, explain("rotate key", id.Collector, err)
	}
	got, err := trust.NewIdentity(next, m.GetCertificate(), m.GetAuthority(), id.Collector)
	if err == nil && (got.Member != id.Member || trust.FingerprintOf(got.Authority) != r.Authority) {
		err = fmt.Errorf("the certificate that came is for %s and not for %s", got.Member, id.Member)
	}
	if err != nil {
		return id, fault.New("rotate key", id.Collector, err)
	}
	return got, nil
}

func (s *enrolling) Rotate(ctx context.Context, q *pb.RotateRequest) (*pb.RotateResponse, error) {
	c, err := s.clerk.Rotate(ctx, q.GetCertificateRequest(), q.GetSignature())
	if err != nil {
		return nil, statusOf(err)
	}
	return &pb.RotateResponse{Certificate: c.Leaf, Authority: c.Authority}, nil
}
