package trust_test

import (
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/hex"
	"io"
	"net/url"
	"strings"
	"testing"

	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// forSmallOrder signs for a key of small order with nothing at all: the neutral point
// and zero.
type forSmallOrder struct{ key ed25519.PublicKey }

func (s forSmallOrder) Public() crypto.PublicKey { return s.key }
func (s forSmallOrder) Sign(io.Reader, []byte, crypto.SignerOpts) ([]byte, error) {
	sig := make([]byte, ed25519.SignatureSize)
	sig[0] = 1
	return sig, nil
}

// TestWeakKeys: a key for which anybody can sign is admitted for nobody, and none comes
// after it. What is such a key the verifier itself says: a signature of the neutral point
// and zero holds when the message's hash times the key is neutral, for a point of small
// order with one message in eight at least, and for no other key.
func TestWeakKeys(t *testing.T) {
	neutral := make(ed25519.PublicKey, ed25519.PublicKeySize)
	neutral[0] = 1
	s := forSmallOrder{neutral}
	sig, _ := s.Sign(nil, nil, nil)
	if !ed25519.Verify(neutral, []byte("whatever"), sig) {
		t.Fatal("the verifier takes no such signature, and there is nothing to refuse")
	}
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{URIs: []*url.URL{{Scheme: "witnessmark", Opaque: "rig/heron"}}}, s)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := trust.ParseRequest(der); err == nil || !strings.Contains(err.Error(), "anybody can sign for") {
		t.Errorf("a request for it: %v", err)
	}
	r := trust.Rotation{Member: trust.Member{Role: trust.Rig, Name: "heron"}, Before: neutral}
	if r.Check(sig) == nil {
		t.Error("another key comes after it")
	}
	// Each of them is found, whichever spelling and sign it has.
	found := 0
	try := func(key ed25519.PublicKey) {
		forged := false
		for n := range 64 {
			forged = forged || ed25519.Verify(key, []byte{byte(n)}, sig)
		}
		if forged {
			found++
		}
		if forged && !trust.Weak(key) {
			t.Errorf("anybody can sign for %x", []byte(key))
		}
	}
	for _, of8 := range []string{"26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05", "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a"} {
		key, err := hex.DecodeString(of8)
		if err != nil {
			t.Fatal(err)
		}
		try(key)
		key[len(key)-1] ^= 0x80
		try(key)
	}
	if found != 4 {
		t.Errorf("%d points of order 8 are forged", found)
	}
	for low := range 256 {
		for _, rest := range []byte{0, 0xff} {
			for _, last := range []byte{0, 0x7f, 0x80, 0xff} {
				key := make(ed25519.PublicKey, ed25519.PublicKeySize)
				for i := range key {
					key[i] = rest
				}
				key[0], key[len(key)-1] = byte(low), last
				try(key)
			}
		}
	}
	if found < 10 {
		t.Errorf("%d such keys were tried", found)
	}
	if trust.Weak(labtest.Key(labtest.Seeded(1)).Public().(ed25519.PublicKey)) || !trust.Weak(nil) {
		t.Error("a key is taken for a weak one, or none for a key")
	}
}
