package trust

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"strings"
)

// Secret is what only the holder of a token knows.
type Secret [16]byte

// Token lets one machine become a member, once. It is shown to a person once and
// kept nowhere; the collector knows the hash of its secret.
type Token struct {
	Member
	Authority Fingerprint // of the collector that it is for
	Secret    Secret
}

// NewToken makes a token with a new secret.
func NewToken(m Member, authority Fingerprint) (Token, error) {
	t := Token{Member: m, Authority: authority}
	_, err := rand.Read(t.Secret[:])
	return t, err
}

// Hash is what is kept of a secret. It is random, so that guessing at the hash is
// no easier than guessing it.
func (s Secret) Hash() [sha256.Size]byte {
	return sha256.Sum256(append([]byte("witnessmark token v1\n"), s[:]...))
}

const (
	tokenPrefix = "wmt1_"
	tokenCheck  = 4 // bytes of a hash, against slips of the hand
	tokenFixed  = 1 + sha256.Size + len(Secret{}) + tokenCheck
)

var tokenText = base64.RawURLEncoding.Strict()

// String gives the token as it is handed on, such as wmt1_AbK3… in one word.
func (t Token) String() string {
	b := append([]byte{t.Role.number()}, t.Authority[:]...)
	b = append(append(b, t.Secret[:]...), t.Name...)
	return tokenPrefix + tokenText.EncodeToString(append(b, checkOf(b)...))
}

func checkOf(b []byte) []byte {
	sum := sha256.Sum256(append([]byte(tokenPrefix), b...))
	return sum[:tokenCheck]
}

// ErrToken is returned for text that is no token. It repeats nothing of it.
var ErrToken = errors.New("that is not a join token, or a letter of it is wrong or missing")

// ParseToken reads a token. Whatever it accepts, String gives back.
func ParseToken(s string) (Token, error) {
	rest, ok := strings.CutPrefix(s, tokenPrefix)
	b, err := tokenText.DecodeString(rest)
	// The decoder passes over line ends.
	if !ok || err != nil || len(b) <= tokenFixed || len(b) > tokenFixed+MaxName || strings.ContainsAny(rest, "\r\n") {
		return Token{}, ErrToken
	}
	said := b[len(b)-tokenCheck:]
	b = b[:len(b)-tokenCheck]
	if subtle.ConstantTimeCompare(said, checkOf(b)) != 1 || b[0] == 0 || int(b[0]) >= len(roles) {
		return Token{}, ErrToken
	}
	t := Token{Member: Member{Role: roles[b[0]]}}
	b = b[1:]
	b = b[copy(t.Authority[:], b):]
	b = b[copy(t.Secret[:], b):]
	if t.Name = string(b); !ValidName(t.Name) || !bytes.Equal([]byte(t.Name), b) {
		return Token{}, ErrToken
	}
	return t, nil
}
