package trail

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Succession is the statement that another key signs a trail's heads from a size
// on. It is a note that the new key signs and, first, the old one: whoever knows
// the old key can so walk to the new one. Where the old key is lost, a keeper's
// key signs in its place, or nobody where the owner of the collector's folder
// says so; it then proves no more than that.
//
//	collector.dome.example/trail/succession
//	from collector.dome.example/trail+c1580601+AYqI...
//	to collector.dome.example/trail+59b9a5a4+AXkV...
//	17
//	CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=
//
// Size and root are those of the last head that the old key signs. A lost key
// stands behind "lost" for "from", and a last line "word" names the keeper's
// verifier key, or says "owner".
type Succession struct {
	Old, New string // verifier keys of one origin
	Last     Head   // that the old key signs
	Word     string // on whose word, where the old key is lost: a keeper's verifier key or [OwnersWord]
}

// OwnersWord is that of whoever may write into the collector's folder.
const OwnersWord = "owner"

const successionLine = "/succession\n"

// Text is what is signed. Its first line keeps it from being taken for a head.
func (s Succession) Text() string {
	how, word := "from ", ""
	if s.Word != "" {
		how, word = "lost ", "word "+s.Word+"\n"
	}
	return s.Last.Origin + successionLine + how + s.Old + "\nto " + s.New + "\n" +
		strconv.FormatInt(s.Last.Size, 10) + "\n" + s.Last.Root.String() + "\n" + word
}

// OnWord tells on whose word it rests, "" where the old key signed.
func (s Succession) OnWord() string {
	switch s.Word {
	case "":
		return ""
	case OwnersWord:
		return "the owner of the collector's folder"
	}
	name, _, _ := s.Keeper()
	return "keeper " + name
}

// Keeper gives the keeper on whose word it rests, and his key; false where it rests
// on nobody's or the owner's.
func (s Succession) Keeper() (name string, key ed25519.PublicKey, ok bool) {
	text, encoded, _ := cutKey(s.Word)
	name, ok = strings.CutPrefix(text, keeperPrefix)
	raw, err := base64.StdEncoding.DecodeString(encoded)
	if !ok || err != nil || len(raw) != 1+ed25519.PublicKeySize {
		return "", nil, false
	}
	if plain, err := url.PathUnescape(name); err == nil && escaped(plain) == name && !strings.ContainsFunc(plain, unicode.IsControl) {
		name = plain
	}
	return name, raw[1:], true
}

// keeperPrefix keeps a keeper's key from being taken for one of a trail.
const keeperPrefix = "keeper/"

// cutKey gives the name in a verifier key and its part in base64, which may have
// plus signs of its own.
func cutKey(key string) (name, encoded string, ok bool) {
	parts := strings.SplitN(key, "+", 3)
	if len(parts) != 3 {
		return key, "", false
	}
	return parts[0], parts[2], true
}

// KeepersKey is a keeper's public key as a succession spells it.
func KeepersKey(name string, key ed25519.PublicKey) (string, error) {
	return VerifierKey(keeperPrefix+escaped(name), key)
}

// escaped is a keeper's name in that of a key, which has no space and no plus: these are
// spelt as in a URL.
func escaped(name string) string {
	var b strings.Builder
	for _, r := range name {
		switch {
		case r == '+':
			b.WriteString("%2B")
		case r == '/' || r == '%' || unicode.IsSpace(r):
			b.WriteString(url.PathEscape(string(r)))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// signers gives the keys that must sign it, in their order.
func (s Succession) signers() (out []note.Verifier, err error) {
	list := []string{s.Old, s.New}
	switch {
	case s.Word == OwnersWord:
		list = list[1:]
	case s.Word != "":
		list[0] = s.Word
	}
	for _, key := range list {
		v, err := note.NewVerifier(key)
		if err != nil {
			return nil, fmt.Errorf("%w: key %q", ErrMalformed, key)
		}
		out = append(out, v)
	}
	return out, nil
}

// SignSuccession gives the note, signed in the order of the signers: the old key
// or the keeper, then the new key.
func SignSuccession(s Succession, signers ...note.Signer) ([]byte, error) {
	msg, err := note.Sign(&note.Note{Text: s.Text()}, signers...)
	if err == nil {
		var again Succession
		if again, err = OpenSuccession(msg); err == nil && again != s {
			err = ErrMalformed
		}
	}
	if err != nil {
		return nil, fmt.Errorf("sign succession of %s: %w", s.Last.Origin, err)
	}
	return msg, nil
}

// OpenSuccession checks the signatures on a note that [SignSuccession] made, by the
// keys that it names: whether those are to be believed is for [Line.Follow]. A note
// in other than its one spelling is [ErrMalformed].
func OpenSuccession(msg []byte) (Succession, error) {
	s, err := openSuccession(msg)
	if err != nil {
		return Succession{}, fmt.Errorf("open succession: %w", err)
	}
	return s, nil
}

func openSuccession(msg []byte) (s Succession, err error) {
	text, _, ok := bytes.Cut(msg, []byte("\n\n"))
	if !ok {
		return s, fmt.Errorf("%w: it is no note", ErrMalformed)
	}
	if s, err = parseSuccession(string(text) + "\n"); err != nil {
		return s, err
	}
	must, err := s.signers()
	if err != nil {
		return s, err
	}
	n, err := note.Open(msg, note.VerifierList(must...))
	if err != nil {
		return s, err
	}
	again := n.Text + "\n"
	for i, v := range must {
		if i >= len(n.Sigs) || n.Sigs[i].Name != v.Name() || n.Sigs[i].Hash != v.KeyHash() {
			return s, fmt.Errorf("it is not signed by %s, or not at its place", v.Name())
		}
		again += "— " + n.Sigs[i].Name + " " + n.Sigs[i].Base64 + "\n"
	}
	if again != string(msg) {
		return s, fmt.Errorf("%w: it is signed by others too, or not in its one spelling", ErrMalformed)
	}
	return s, oneSpelling(n)
}

// parseSuccession reads exactly what [Succession.Text] writes.
func parseSuccession(text string) (s Succession, err error) {
	lines := strings.SplitAfter(text, "\n")
	if len(lines) < 6 || len(lines) > 7 {
		return s, fmt.Errorf("%w: succession of %d lines", ErrMalformed, len(lines)-1)
	}
	for i := range lines {
		lines[i] = strings.TrimSuffix(lines[i], "\n")
	}
	s.Last.Origin = strings.TrimSuffix(lines[0], strings.TrimSuffix(successionLine, "\n"))
	_, s.Old, _ = strings.Cut(lines[1], " ")
	_, s.New, _ = strings.Cut(lines[2], " ")
	if s.Last.Size, err = strconv.ParseInt(lines[3], 10, 64); err != nil {
		return s, fmt.Errorf("%w: size %q", ErrMalformed, lines[3])
	}
	if s.Last.Root, err = tlog.ParseHash(lines[4]); err != nil {
		return s, fmt.Errorf("%w: root %q", ErrMalformed, lines[4])
	}
	if len(lines) == 7 {
		_, s.Word, _ = strings.Cut(lines[5], " ")
	}
	if s.Text() != text {
		return s, fmt.Errorf("%w: succession is not in its one spelling", ErrMalformed)
	}
	return s, s.validate()
}

func (s Succession) validate() error {
	if err := s.Last.validate(); err != nil {
		return err
	}
	for _, key := range [...]string{s.Old, s.New} {
		if err := plainKey(key, s.Last.Origin); err != nil {
			return err
		}
	}
	if s.Old == s.New {
		return fmt.Errorf("%w: a key cannot follow itself", ErrMalformed)
	}
	if s.Word == "" || s.Word == OwnersWord {
		return nil
	}
	name, _, _ := cutKey(s.Word)
	if !strings.HasPrefix(name, keeperPrefix) {
		return fmt.Errorf("%w: %q is no keeper's key", ErrMalformed, s.Word)
	}
	return plainKey(s.Word, name)
}

// plainKey refuses a key of somebody else, and every spelling of it but one.
func plainKey(key, name string) error {
	if of, encoded, ok := cutKey(key); ok && of == name {
		raw, err := base64.StdEncoding.Strict().DecodeString(encoded)
		if err == nil && len(raw) == 1+ed25519.PublicKeySize {
			if again, err := VerifierKey(name, raw[1:]); err == nil && again == key {
				return nil
			}
		}
	}
	return fmt.Errorf("%w: %q is not a key of %s", ErrMalformed, key, name)
}

// ErrOnWord is returned where a key was lost and did not sign what follows it.
var ErrOnWord = errors.New("the old key did not sign what follows it")
