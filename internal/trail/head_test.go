package trail

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"
)

func testKey(seed byte) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, ed25519.SeedSize))
}

func testSigner(tb testing.TB, origin string, seed byte) (note.Signer, note.Verifier) {
	tb.Helper()
	s, err := NewSigner(origin, testKey(seed))
	if err != nil {
		tb.Fatal(err)
	}
	v, err := NewVerifier(origin, testKey(seed).Public().(ed25519.PublicKey))
	if err != nil {
		tb.Fatal(err)
	}
	return s, v
}

func sign(tb testing.TB, h Head, s note.Signer, others ...note.Signer) []byte {
	tb.Helper()
	msg, err := SignHead(h, s, others...)
	if err != nil {
		tb.Fatal(err)
	}
	return msg
}

// TestDocShowsARealHead holds the example of doc.go to what the code makes.
func TestDocShowsARealHead(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	s, _ := testSigner(t, testOrigin, 7)
	var want strings.Builder
	for line := range strings.Lines(string(sign(t, EmptyHead(testOrigin), s))) {
		if line == "\n" {
			want.WriteString("//\n")
		} else {
			want.WriteString("//\t" + line)
		}
	}
	if !strings.Contains(string(doc), want.String()) {
		t.Errorf("doc.go lacks\n%s", want.String())
	}
}

func TestHeadRoundTrip(t *testing.T) {
	s, v := testSigner(t, testOrigin, 1)
	rapid.Check(t, func(t *rapid.T) {
		h := Head{Origin: testOrigin, Size: rapid.Int64Range(1, MaxSize).Draw(t, "size")}
		copy(h.Root[:], rapid.SliceOfN(rapid.Byte(), len(h.Root), len(h.Root)).Draw(t, "root"))
		msg, err := SignHead(h, s)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := OpenHead(msg, note.VerifierList(v)); err != nil || got != h {
			t.Fatalf("%+v, %v; want %+v", got, err, h)
		}
	})
}

// TestKeysAreTheNotePackages shows that a head signed here opens with the
// verifier that the note package makes of the published key text.
func TestKeysAreTheNotePackages(t *testing.T) {
	s, _ := testSigner(t, testOrigin, 1)
	text, err := VerifierKey(testOrigin, testKey(1).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(text)
	if err != nil {
		t.Fatal(err)
	}
	_, heads := grow(t, someLeaves(5))
	if _, err := note.Open(sign(t, heads[5], s), note.VerifierList(v)); err != nil {
		t.Error(err)
	}
}

func TestEveryBitOfAHeadCounts(t *testing.T) {
	_, heads := grow(t, someLeaves(12))
	s, v := testSigner(t, testOrigin, 1)
	msg := sign(t, heads[12], s)
	flips(msg, func(bit int) {
		if h, err := OpenHead(msg, note.VerifierList(v)); err == nil {
			t.Errorf("bit %d of byte %d altered: opens as %+v", bit%8, bit/8, h)
		}
	})
	for cut := range msg {
		if _, err := OpenHead(msg[:cut], note.VerifierList(v)); err == nil {
			t.Errorf("cut to %d bytes: opens", cut)
		}
	}
}

func TestHeadSignatures(t *testing.T) {
	_, heads := grow(t, someLeaves(3))
	own, ownV := testSigner(t, testOrigin, 1)
	witness, witnessV := testSigner(t, "witness.example", 2)
	_, otherV := testSigner(t, testOrigin, 3)
	msg := sign(t, heads[3], own, witness)

	h, by, err := OpenCosigned(msg, note.VerifierList(ownV, witnessV))
	if err != nil || h != heads[3] || !slices.Equal(by, []string{"witness.example"}) {
		t.Errorf("both known: %+v, %v, %v", h, by, err)
	}
	h, by, err = OpenCosigned(msg, note.VerifierList(ownV))
	if err != nil || h != heads[3] || len(by) != 0 {
		t.Errorf("unknown witness: %+v, %v, %v", h, by, err)
	}
	for name, known := range map[string]note.Verifiers{
		"witness alone":   note.VerifierList(witnessV),
		"another's key":   note.VerifierList(otherV),
		"no key":          note.VerifierList(),
		"no list of keys": nil,
	} {
		if h, err := OpenHead(msg, known); err == nil || h != (Head{}) {
			t.Errorf("%s: opens as %+v", name, h)
		}
	}
	if _, err := SignHead(heads[3], witness); err == nil {
		t.Error("signs under another's name")
	}
}

// TestHeadHasOneSpelling signs texts and signatures that mean a head but are
// spelled otherwise; each must be malformed although it is signed.
func TestHeadHasOneSpelling(t *testing.T) {
	_, heads := grow(t, someLeaves(3))
	s, v := testSigner(t, testOrigin, 1)
	good := heads[3].Text()
	root := heads[3].Root.String()
	for name, text := range map[string]string{
		"extension line":  good + "more\n",
		"leading zero":    testOrigin + "\n03\n" + root + "\n",
		"plus sign":       testOrigin + "\n+3\n" + root + "\n",
		"negative":        testOrigin + "\n-3\n" + root + "\n",
		"size too large":  testOrigin + fmt.Sprintf("\n%d\n", MaxSize+1) + root + "\n",
		"stray root bits": testOrigin + "\n3\n" + root[:42] + string(strayBit(root[42])) + "=\n",
		"no root":         testOrigin + "\n3\n",
		"no origin":       "\n3\n" + root + "\n",
		"empty, any root": testOrigin + "\n0\n" + root + "\n",
	} {
		msg, err := note.Sign(&note.Note{Text: text}, s)
		if err != nil {
			t.Fatal(err)
		}
		_, err = OpenHead(msg, note.VerifierList(v))
		if !errors.Is(err, ErrMalformed) && !errors.Is(err, ErrSize) {
			t.Errorf("%s: %v, want ErrMalformed or ErrSize", name, err)
		}
	}
}

// strayBit gives a base64 digit that differs from c in its lowest bit alone.
func strayBit(c byte) byte {
	const digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
	return digits[strings.IndexByte(digits, c)^1]
}

func TestOriginAndKeyRefusals(t *testing.T) {
	for _, origin := range []string{"", "two words", "a+b", "tab\t", "\xff", "\x01", strings.Repeat("x", maxName+1)} {
		if _, err := NewSigner(origin, testKey(1)); !errors.Is(err, ErrMalformed) {
			t.Errorf("origin %q: %v, want ErrMalformed", origin, err)
		}
	}
	if _, err := NewSigner(testOrigin, testKey(1)[:40]); err == nil {
		t.Error("takes a short private key")
	}
	mixed := append(slices.Clone(testKey(1)[:32]), testKey(2)[32:]...)
	if _, err := NewSigner(testOrigin, mixed); err == nil {
		t.Error("takes halves of two keys")
	}
	if _, err := NewVerifier(testOrigin, make(ed25519.PublicKey, 31)); err == nil {
		t.Error("takes a short public key")
	}
}

// FuzzHeadText: a head text that parses is written back as it was.
func FuzzHeadText(f *testing.F) {
	f.Add(EmptyHead(testOrigin).Text())
	f.Add(testOrigin + "\n3\n" + base64.StdEncoding.EncodeToString(make([]byte, 32)) + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parseText(text)
		if err == nil && h.Text() != text {
			t.Fatalf("%q reads as %+v", text, h)
		}
	})
}
