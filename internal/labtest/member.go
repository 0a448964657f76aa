package labtest

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/trust"
)

// Serve keeps a collector of a folder until the test ends, or stop is called,
// which waits for its end. It gives the address.
func Serve(t testing.TB, dir string, opts ...collect.Option) (address string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Serve(ctx, dir, "127.0.0.1:0", Quiet(), func(a string) { ready <- a }, opts...)
	}()
	select {
	case address = <-ready:
	case err := <-ended:
		t.Fatal(err)
	}
	done := false
	stop = func() {
		cancel()
		if !done {
			done = true
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(stop)
	return address, stop
}

// DialOwner connects to the collector at address as the owner of its folder.
func DialOwner(t testing.TB, address, dir string) *collect.Connection {
	t.Helper()
	conn, err := collect.Dial(address, collect.Owner(dir))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// Token has a collector's owner make a join token.
func Token(t testing.TB, owner *collect.Connection, m trust.Member, life time.Duration) trust.Token {
	t.Helper()
	issued, err := enrol.IssueToken(context.Background(), owner, owner.Where, enrol.Wanted{Member: m, Life: life, By: "wren"})
	if err != nil {
		t.Fatal(err)
	}
	tok, err := trust.ParseToken(issued.Token)
	if err != nil {
		t.Fatal(err)
	}
	return tok
}

// Enrol makes a key a member of the collector that its owner is connected to.
func Enrol(t testing.TB, owner *collect.Connection, m trust.Member, key ed25519.PrivateKey) trust.Identity {
	t.Helper()
	tok := Token(t, owner, m, time.Hour)
	conn, err := collect.DialToJoin(owner.Where, tok.Authority)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	id, err := enrol.Join(context.Background(), conn, owner.Where, tok, key)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// DialAs connects to a collector as a member.
func DialAs(t testing.TB, address string, id trust.Identity) *collect.Connection {
	t.Helper()
	conn, err := collect.Dial(address, func() []trust.Identity { return []trust.Identity{id} })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// Authority makes one that certifies members.
func Authority(t testing.TB) *trust.Authority {
	t.Helper()
	b, err := trust.NewAuthority(time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return ReadAuthority(t, b)
}

// ReadAuthority reads an authority's file.
func ReadAuthority(t testing.TB, b []byte) *trust.Authority {
	t.Helper()
	a, err := trust.ParseAuthority(b)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// Certify has an authority certify a key.
func Certify(t testing.TB, by *trust.Authority, m trust.Member, key ed25519.PublicKey) trust.Chain {
	t.Helper()
	der, err := by.Issue(m, key, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	c, err := trust.NewChain(der, by.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Rotated gives the key that comes after another, its chain and what the other
// signs of it.
func Rotated(t testing.TB, by *trust.Authority, m trust.Member, before, next ed25519.PrivateKey) (key ed25519.PublicKey, c trust.Chain, signature []byte) {
	t.Helper()
	key = next.Public().(ed25519.PublicKey)
	r := trust.Rotation{Member: m, Authority: by.Fingerprint(), Before: before.Public().(ed25519.PublicKey), After: sha256.Sum256(key)}
	return key, Certify(t, by, m, key), r.Sign(before)
}
