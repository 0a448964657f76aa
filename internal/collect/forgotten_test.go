package collect_test

import (
	"crypto/ed25519"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestForgottenMembers: who has a certificate of the collector's authority for a key
// that its trail does not know gets to see the head, and nothing else that a stranger
// does not; who was revoked does not see it.
func TestForgottenMembers(t *testing.T) {
	w := newWorkshop(t)
	pem, err := os.ReadFile(filepath.Join(w.dir, "authority.pem"))
	if err != nil {
		t.Fatal(err)
	}
	authority := labtest.ReadAuthority(t, pem)
	stranger, err := collect.DialToJoin(w.address, authority.Fingerprint())
	if err != nil {
		t.Fatal(err)
	}
	defer stranger.Close()
	const head, join = "/witnessmark.v1.DeliveryService/GetHead", "/witnessmark.v1.EnrolService/Join"
	heldTo := func(who string, conn grpc.ClientConnInterface, want ...string) {
		t.Helper()
		if d := cmp.Diff(want, mayCall(t, conn)); d != "" {
			t.Errorf("%s may call, and may not: %s", who, d)
		}
	}
	heldTo("a stranger", stranger, join)
	for _, role := range []trust.Role{trust.Rig, trust.Analyst, trust.Keeper, trust.Witness} {
		m, key := trust.Member{Role: role, Name: "curlew"}, labtest.Key(labtest.Rand(t))
		chain := labtest.Certify(t, authority, m, key.Public().(ed25519.PublicKey))
		id, err := trust.NewIdentity(key, chain.Leaf.Raw, chain.Authority.Raw, w.address)
		if err != nil {
			t.Fatal(err)
		}
		heldTo(m.String(), labtest.DialAs(t, w.address, id), head, join)
	}
	if _, err := enrol.Revoke(t.Context(), w.owner, w.address, "plover", "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	heldTo("a revoked rig", w.as(t, "plover"), join)
}

// mayCall gives the methods of the collector that are not refused for who calls.
func mayCall(t testing.TB, conn grpc.ClientConnInterface) (may []string) {
	t.Helper()
	for _, method := range collect.MethodsWithRights() {
		if !strings.HasPrefix(method, "/witnessmark.") {
			continue
		}
		err := conn.Invoke(t.Context(), method, &emptypb.Empty{}, &emptypb.Empty{})
		for end := time.Now().Add(time.Minute); status.Code(err) == codes.Unavailable && time.Now().Before(end); { // over a connection that was closed
			err = conn.Invoke(t.Context(), method, &emptypb.Empty{}, &emptypb.Empty{})
		}
		said := status.Convert(err).Message()
		if c := status.Code(err); c == codes.Unauthenticated || c == codes.PermissionDenied && (strings.Contains(said, "not one that was admitted") || strings.Contains(said, "was revoked on")) {
			continue
		}
		may = append(may, method)
	}
	slices.Sort(may)
	return may
}
