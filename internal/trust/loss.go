package trust

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
)

// Loss says that keys of a member are lost, and that the key which spends a token is
// to stand in their place. A keeper signs it where his key is, so that nobody else can
// say so in his name.
type Loss struct {
	Trail  string // by its origin: the word is good at no other collector
	Keeper string
	Member
	Token [sha256.Size]byte // the hash of its secret: the word is good once
	Keys  [][]byte          // by their SHA-256
	Why   string
}

// Word is what a keeper's key has signed of a loss.
type Word struct {
	Token     [sha256.Size]byte
	Key       ed25519.PublicKey
	Signature []byte
}

// statement is what the keeper signs. Its first line keeps it from being taken for
// anything else that a member signs; no name and no reason has a line feed.
func (l Loss) statement() []byte {
	return fmt.Appendf(nil, "witnessmark key loss 1\n%s\nkeeper %s\n%s\n%s\ntoken %x\nlost %s\n%s\n",
		l.Trail, l.Keeper, l.Role, l.Name, l.Token, strings.Join(hexes(l.Keys), ","), l.Why)
}

// Sign gives the word of the keeper who has the key.
func (l Loss) Sign(key ed25519.PrivateKey) *Word {
	return &Word{Token: l.Token, Key: key.Public().(ed25519.PublicKey), Signature: ed25519.Sign(key, l.statement())}
}

// Check holds a word against the statement.
func (l Loss) Check(w Word) error {
	if w.Token != l.Token || Weak(w.Key) || !ed25519.Verify(w.Key, l.statement(), w.Signature) {
		return errors.New("the keeper's key has not signed that these keys are lost, for this token")
	}
	return nil
}

// CheckWord holds the word on which keys are lost, if a keeper has signed one, against
// the trail, whose word it is and whose the key is that was admitted. Who the keeper
// was is for the caller.
func (a Admission) CheckWord(trail, keeper, name string) error {
	if a.Word == nil {
		return nil
	}
	return Loss{trail, keeper, Member{a.Role, name}, a.Word.Token, a.Lost, a.Why}.Check(*a.Word)
}
