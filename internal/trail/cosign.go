package trail

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
)

// A witness is somebody else who has seen that a trail only grew, and signs its
// heads beside the collector: in the form that C2SP calls cosignature/v1 of
// tlog-cosignature, which also says when. Its verifier key is spelled as the note
// format spells keys, "name+keyhash+base64", with an algorithm byte of its own.
const cosignature = 0x04

// cosigned is what a witness signs: when, and the text of the head.
func cosigned(at int64, text []byte) []byte {
	return append([]byte("cosignature/v1\ntime "+strconv.FormatInt(at, 10)+"\n"), text...)
}

// WitnessKey is a witness's public key as the text that others configure.
func WitnessKey(name string, key ed25519.PublicKey) (string, error) {
	if err := validOrigin(name); err != nil {
		return "", fmt.Errorf("witness key: %w", err)
	}
	if len(key) != ed25519.PublicKeySize {
		return "", fmt.Errorf("witness key of %s: public key of %d bytes, want %d", name, len(key), ed25519.PublicKeySize)
	}
	raw := append([]byte{cosignature}, key...)
	return fmt.Sprintf("%s+%08x+%s", name, witnessHash(name, raw), base64.StdEncoding.EncodeToString(raw)), nil
}

func witnessHash(name string, raw []byte) uint32 {
	sum := sha256.Sum256(append([]byte(name+"\n"), raw...))
	return binary.BigEndian.Uint32(sum[:])
}

// Witness verifies the cosignatures of one witness. It is a [note.Verifier].
type Witness struct {
	name, text string
	hash       uint32
	key        ed25519.PublicKey
}

// ParseWitness reads what [WitnessKey] gives, and nothing else.
func ParseWitness(text string) (Witness, error) {
	refuse := func(why string) (Witness, error) {
		return Witness{}, fmt.Errorf("%w: witness key: %s", ErrMalformed, why)
	}
	f := strings.SplitN(text, "+", 3) // base64 has plus signs of its own
	if len(f) != 3 {
		return refuse("it is not name+keyhash+base64")
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(f[2])
	if err != nil || len(raw) != 1+ed25519.PublicKeySize || raw[0] != cosignature {
		return refuse("it is not of an Ed25519 cosignature")
	}
	if again, err := WitnessKey(f[0], raw[1:]); err != nil || again != text {
		return refuse("its parts do not belong together")
	}
	return Witness{f[0], text, witnessHash(f[0], raw), raw[1:]}, nil
}

// Name implements [note.Verifier].
func (w Witness) Name() string { return w.name }

// KeyHash implements [note.Verifier].
func (w Witness) KeyHash() uint32 { return w.hash }

// Key is the text that [ParseWitness] read.
func (w Witness) Key() string { return w.text }

// Verify implements [note.Verifier].
func (w Witness) Verify(text, sig []byte) bool {
	at, ok := stampOf(sig)
	return ok && ed25519.Verify(w.key, cosigned(at, text), sig[8:])
}

func stampOf(sig []byte) (at int64, ok bool) {
	if len(sig) != 8+ed25519.SignatureSize {
		return 0, false
	}
	n := binary.BigEndian.Uint64(sig)
	return int64(n), n <= lastSecond
}

// lastSecond ends the year 9999, beyond which times have no common spelling.
const lastSecond = 253402300799

// witnessSigner signs with a witness's own key.
type witnessSigner struct {
	Witness
	private ed25519.PrivateKey
	at      time.Time
}

// NewCosigner makes the signer of a witness for cosignatures made at a time.
func NewCosigner(name string, key ed25519.PrivateKey, at time.Time) (note.Signer, error) {
	if len(key) != ed25519.PrivateKeySize || at.Unix() < 0 {
		return nil, fmt.Errorf("cosigner %s: its key or the time %v is none", name, at)
	}
	text, err := WitnessKey(name, key.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	w, err := ParseWitness(text)
	return witnessSigner{w, key, at}, err
}

// Sign implements [note.Signer].
func (s witnessSigner) Sign(text []byte) ([]byte, error) {
	at := s.at.Unix()
	sig := binary.BigEndian.AppendUint64(nil, uint64(at))
	return append(sig, ed25519.Sign(s.private, cosigned(at, text))...), nil
}

// Cosign adds a witness's signature to a signed head, which the known keys open.
func Cosign(msg []byte, known note.Verifiers, witness note.Signer) ([]byte, error) {
	if _, err := OpenHead(msg, known); err != nil {
		return nil, err
	}
	n, err := note.Open(msg, known)
	if err != nil {
		return nil, err
	}
	n.UnverifiedSigs = nil // what others signed is theirs to hand on
	return note.Sign(n, witness)
}

// ErrNotCosigned is returned for a head that a witness did not cosign.
var ErrNotCosigned = errors.New("the witness did not cosign it")

// OpenWitnessedBy opens a head that a key of the trail and the witness have signed,
// and tells when the witness did. What a witness signs under the trail's own name is
// no more than what any witness signs.
func OpenWitnessedBy(msg []byte, trail note.Verifiers, w Witness) (Head, time.Time, error) {
	h, err := OpenHead(msg, trail)
	if err != nil {
		return Head{}, time.Time{}, err
	}
	n, err := note.Open(msg, note.VerifierList(w))
	var without *note.UnverifiedNoteError
	if errors.As(err, &without) {
		err = fmt.Errorf("head of %s: %w: %s", h.Origin, ErrNotCosigned, w.name)
	}
	if err != nil {
		return Head{}, time.Time{}, err
	}
	raw, err := base64.StdEncoding.DecodeString(n.Sigs[0].Base64) // which has a key's hash before it, and verified
	if err != nil {
		return Head{}, time.Time{}, err
	}
	at, _ := stampOf(raw[4:])
	return h, time.Unix(at, 0).UTC(), nil
}
