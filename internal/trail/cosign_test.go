package trail

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
)

func witnessOf(t testing.TB, seed byte) (ed25519.PrivateKey, Witness) {
	t.Helper()
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, 32))
	text, err := WitnessKey("witness.dome.example/avocet", key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	w, err := ParseWitness(text)
	if err != nil {
		t.Fatal(err)
	}
	return key, w
}

func headSigned(t testing.TB) (msg []byte, own note.Verifier) {
	t.Helper()
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32))
	s, err := NewSigner("collector.dome.example/trail", key)
	if err != nil {
		t.Fatal(err)
	}
	if own, err = NewVerifier("collector.dome.example/trail", key.Public().(ed25519.PublicKey)); err != nil {
		t.Fatal(err)
	}
	if msg, err = SignHead(Head{Origin: "collector.dome.example/trail", Size: 3, Root: Hash{1}}, s); err != nil {
		t.Fatal(err)
	}
	return msg, own
}

// TestCosignatureBytes works the signature out again from the words of C2SP
// tlog-cosignature: key id, time stamp and what is signed.
func TestCosignatureBytes(t *testing.T) {
	key, w := witnessOf(t, 9)
	msg, own := headSigned(t)
	at := time.Unix(1_930_000_000, 5e8)
	s, err := NewCosigner(w.Name(), key, at)
	if err != nil {
		t.Fatal(err)
	}
	both, err := Cosign(msg, note.VerifierList(own), s)
	if err != nil {
		t.Fatal(err)
	}
	text, _, _ := strings.Cut(string(msg), "\n\n")
	public := key.Public().(ed25519.PublicKey)
	id := sha256.Sum256(append([]byte(w.Name()+"\n\x04"), public...))
	sig := append(id[:4:4], binary.BigEndian.AppendUint64(nil, 1_930_000_000)...)
	sig = append(sig, ed25519.Sign(key, []byte(fmt.Sprintf("cosignature/v1\ntime 1930000000\n%s\n", text)))...)
	want := string(msg) + "— " + w.Name() + " " + base64.StdEncoding.EncodeToString(sig) + "\n"
	if string(both) != want {
		t.Errorf("got\n%swant\n%s", both, want)
	}
	h, when, err := OpenWitnessedBy(both, note.VerifierList(own), w)
	if err != nil || h.Size != 3 || !when.Equal(time.Unix(1_930_000_000, 0)) {
		t.Errorf("%v, %v, %v", h, when, err)
	}
	if h, by, err := OpenCosigned(both, note.VerifierList(own, w)); err != nil || h.Size != 3 || len(by) != 1 || by[0] != w.Name() {
		t.Errorf("%v, %v, %v", h, by, err)
	}
}

func TestCosignatureRefusals(t *testing.T) {
	key, w := witnessOf(t, 9)
	_, other := witnessOf(t, 10)
	msg, own := headSigned(t)
	if _, _, err := OpenWitnessedBy(msg, note.VerifierList(own), w); !errors.Is(err, ErrNotCosigned) {
		t.Error(err)
	}
	s, err := NewCosigner(w.Name(), key, time.Unix(1e9, 0))
	if err != nil {
		t.Fatal(err)
	}
	both, err := Cosign(msg, note.VerifierList(own), s)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := OpenWitnessedBy(both, note.VerifierList(own), other); !errors.Is(err, ErrNotCosigned) {
		t.Error(err)
	}
	if _, err := Cosign(both, note.VerifierList(w), s); err == nil {
		t.Error("a head that the collector's key does not open is cosigned")
	}
	// Another time under the same signature does not hold.
	i := bytes.LastIndexByte(both, ' ') + 1
	raw, err := base64.StdEncoding.DecodeString(strings.TrimSpace(string(both[i:])))
	if err != nil {
		t.Fatal(err)
	}
	raw[11]++
	late := append(both[:i:i], base64.StdEncoding.EncodeToString(raw)+"\n"...)
	if _, _, err := OpenWitnessedBy(late, note.VerifierList(own), w); err == nil {
		t.Error("a cosignature with another time holds")
	}
	for _, text := range []string{"", w.Name(), w.Key() + "=", strings.ToUpper(w.Key()), strings.Replace(w.Key(), "+", "+0", 1),
		"a b" + w.Key()[strings.Index(w.Key(), "+"):], "other" + w.Key()[strings.Index(w.Key(), "+"):]} {
		if got, err := ParseWitness(text); !errors.Is(err, ErrMalformed) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

// TestWitnessOfTheTrailsName: who signs under the name of the trail itself, with a
// witness's key, has not signed in the place of the trail's own.
func TestWitnessOfTheTrailsName(t *testing.T) {
	msg, own := headSigned(t)
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{9}, 32))
	s, err := NewCosigner(own.Name(), key, time.Unix(1e9, 0))
	if err != nil {
		t.Fatal(err)
	}
	w := s.(witnessSigner).Witness
	text, _, _ := strings.Cut(string(msg), "\n\n")
	alone, err := note.Sign(&note.Note{Text: text + "\n"}, s)
	if err != nil {
		t.Fatal(err)
	}
	present, err := VerifierKey(own.Name(), ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32)).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	line, err := NewLine(present)
	if err != nil {
		t.Fatal(err)
	}
	for _, known := range []note.Verifiers{note.VerifierList(own), line} {
		if h, _, err := OpenWitnessedBy(alone, known, w); err == nil {
			t.Errorf("%v opens without the trail's key", h)
		}
		both, err := Cosign(msg, known, s)
		if err != nil {
			t.Fatal(err)
		}
		if h, _, err := OpenWitnessedBy(both, known, w); err != nil || h.Size != 3 {
			t.Errorf("%v, %v", h, err)
		}
	}
}

// TestCosignedAtNoTime: a time that cannot be written down is none.
func TestCosignedAtNoTime(t *testing.T) {
	key, w := witnessOf(t, 9)
	msg, own := headSigned(t)
	for at, ok := range map[int64]bool{0: true, lastSecond: true, lastSecond + 1: false, 1 << 61: false} {
		both, err := Cosign(msg, note.VerifierList(own), witnessSigner{w, key, time.Unix(at, 0)})
		if err != nil {
			t.Fatal(err)
		}
		_, when, err := OpenWitnessedBy(both, note.VerifierList(own), w)
		if (err == nil) != ok {
			t.Errorf("%d: %v, %v", at, when, err)
		}
		if _, err := when.MarshalJSON(); err != nil {
			t.Errorf("%d: %v", at, err)
		}
	}
}

// FuzzParseWitness: what parses has one spelling.
func FuzzParseWitness(f *testing.F) {
	_, w := witnessOf(f, 9)
	f.Add(w.Key())
	f.Add("collector.dome.example/trail+c1580601+AeosjSkdgf1xXgaZ9BuQlpp9K/qOpNCvKZbgOBVbxHdM")
	f.Fuzz(func(t *testing.T, text string) {
		w, err := ParseWitness(text)
		if err != nil {
			return
		}
		if again, err := WitnessKey(w.Name(), w.key); err != nil || again != text {
			t.Errorf("%q is %q again, %v", text, again, err)
		}
	})
}

// FuzzOpenWitnessed: what opens is a head that the trail's key opens without the
// witness, signed at a time that can be written down; taken away, the witness's
// signature is missed.
func FuzzOpenWitnessed(f *testing.F) {
	key, w := witnessOf(f, 9)
	msg, own := headSigned(f)
	s, err := NewCosigner(w.Name(), key, time.Unix(1e9, 0))
	if err != nil {
		f.Fatal(err)
	}
	both, err := Cosign(msg, note.VerifierList(own), s)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(both)
	f.Add(msg)
	f.Fuzz(func(t *testing.T, b []byte) {
		h, at, err := OpenWitnessedBy(b, note.VerifierList(own), w)
		if err != nil {
			if h != (Head{}) || !at.IsZero() {
				t.Errorf("%v with %v, %v", err, h, at)
			}
			return
		}
		if alone, err := OpenHead(b, note.VerifierList(own)); err != nil || alone != h {
			t.Errorf("%v, %v; with the witness %v", alone, err, h)
		}
		if _, err := at.MarshalText(); err != nil {
			t.Error(err)
		}
		i := bytes.LastIndex(b, []byte("— "+w.Name()+" "))
		if _, _, err := OpenWitnessedBy(b[:max(i, 0)], note.VerifierList(own), w); err == nil && bytes.Count(b, []byte("— "+w.Name()+" ")) == 1 {
			t.Error("it opens without the witness's signature")
		}
	})
}
