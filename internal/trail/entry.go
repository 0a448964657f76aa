package trail

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"
	"unicode"
	"unicode/utf8"
)

// ErrMalformed is returned when bytes are not the one canonical form of an
// entry, head or receipt, or when a value has no such form.
var ErrMalformed = errors.New("malformed")

// Kind says what an entry is about.
type Kind uint8

// The kinds of version 1. Subject, and whose bytes Digest covers, in brackets.
const (
	KindRecord        Kind = 1  // a record was kept (run id; the record)
	KindMark          Kind = 2  // a snapshot became the reference (rig/setup; the record it is in)
	KindSetup         Kind = 3  // a setup came into force (rig/setup; the file)
	KindRetraction    Kind = 4  // a run was retracted, text says why (run id; the record)
	KindReinstatement Kind = 5  // a retraction was withdrawn, text says why (run id; the record)
	KindKey           Kind = 6  // a key was admitted (its owner's name; the key)
	KindRevocation    Kind = 7  // a key was revoked, text says why (its owner's name; the key)
	KindRestore       Kind = 8  // the archive was restored, text says why (origin; the signed head restored to)
	KindSuccession    Kind = 9  // another key signs the trail, text says why (origin; the succession)
	KindCertificate   Kind = 10 // a key was certified, text names the authority (its owner's name; the certificates)
)

var kindNames = [...]string{
	KindRecord: "record", KindMark: "mark", KindSetup: "setup", KindRetraction: "retraction",
	KindReinstatement: "reinstatement", KindKey: "key", KindRevocation: "revocation", KindRestore: "restore",
	KindSuccession: "succession", KindCertificate: "certificate",
}

// String gives the kind's name, such as "retraction", or "kind(11)".
func (k Kind) String() string {
	if k.known() {
		return kindNames[k]
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

func (k Kind) known() bool { return k != 0 && int(k) < len(kindNames) }

// needsReason reports whether an entry of kind k must say why.
func (k Kind) needsReason() bool {
	switch k {
	case KindRetraction, KindReinstatement, KindRevocation, KindRestore, KindSuccession, KindCertificate:
		return true
	}
	return false
}

// Digest is the SHA-256 of the exact bytes that were kept.
type Digest [sha256.Size]byte

// String gives the digest as 64 lower-case hexadecimal digits.
func (d Digest) String() string { return fmt.Sprintf("%x", d[:]) }

// Entry is one thing the collector kept, as the trail remembers it.
type Entry struct {
	Kind    Kind
	At      time.Time // when the collector kept it, by the collector's clock
	Digest  Digest    // of the exact bytes the entry is about
	Length  int64     // of those bytes
	Subject string    // what it is about: a run id, a rig and setup, a name
	Actor   string    // who brought it: the rig, analyst or keeper
	Text    string    // why, in words; empty where nothing needs saying
}

const (
	entryMagic = "wme\x01"
	entryFixed = len(entryMagic) + 1 + 8 + sha256.Size + 8

	maxName = 255
	maxText = 4096
)

// Marshal gives the entry's canonical bytes, its leaf in the tree.
// An entry without such a form gives [ErrMalformed].
func (e Entry) Marshal() ([]byte, error) {
	if err := e.validate(); err != nil {
		return nil, fmt.Errorf("trail entry: %w", err)
	}
	b := make([]byte, 0, entryFixed+6+len(e.Subject)+len(e.Actor)+len(e.Text))
	b = append(b, entryMagic...)
	b = append(b, byte(e.Kind))
	b = binary.BigEndian.AppendUint64(b, uint64(e.At.UnixNano()))
	b = append(b, e.Digest[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(e.Length))
	for _, s := range [...]string{e.Subject, e.Actor, e.Text} {
		b = binary.BigEndian.AppendUint16(b, uint16(len(s)))
		b = append(b, s...)
	}
	return b, nil
}

// ParseEntry reads the canonical bytes of an entry. Whatever it accepts,
// [Entry.Marshal] gives back byte for byte; anything else is [ErrMalformed].
func ParseEntry(b []byte) (Entry, error) {
	e, err := parseEntry(b)
	if err == nil {
		err = e.validate()
	}
	if err != nil {
		return Entry{}, fmt.Errorf("trail entry: %w", err)
	}
	return e, nil
}

func parseEntry(b []byte) (Entry, error) {
	if len(b) < entryFixed {
		return Entry{}, fmt.Errorf("%w: %d bytes, want at least %d", ErrMalformed, len(b), entryFixed)
	}
	if !bytes.HasPrefix(b, []byte(entryMagic)) {
		return Entry{}, fmt.Errorf("%w: starts %x, want %x", ErrMalformed, b[:len(entryMagic)], entryMagic)
	}
	b = b[len(entryMagic):]
	e := Entry{Kind: Kind(b[0])}
	e.At = time.Unix(0, int64(binary.BigEndian.Uint64(b[1:]))).UTC()
	copy(e.Digest[:], b[9:])
	length := binary.BigEndian.Uint64(b[9+sha256.Size:])
	if length > math.MaxInt64 {
		return Entry{}, fmt.Errorf("%w: length %d is out of range", ErrMalformed, length)
	}
	e.Length = int64(length)
	b = b[9+sha256.Size+8:]
	for _, s := range [...]*string{&e.Subject, &e.Actor, &e.Text} {
		var err error
		if *s, b, err = takeString(b); err != nil {
			return Entry{}, err
		}
	}
	if len(b) != 0 {
		return Entry{}, fmt.Errorf("%w: %d bytes after the text", ErrMalformed, len(b))
	}
	return e, nil
}

// takeString reads one length-prefixed string and returns what follows it.
func takeString(b []byte) (string, []byte, error) {
	if len(b) < 2 {
		return "", nil, fmt.Errorf("%w: ends inside a length", ErrMalformed)
	}
	n := int(binary.BigEndian.Uint16(b))
	if b = b[2:]; len(b) < n {
		return "", nil, fmt.Errorf("%w: string of %d bytes, %d left", ErrMalformed, n, len(b))
	}
	return string(b[:n]), b[n:], nil
}

func (e Entry) validate() error {
	switch {
	case !e.Kind.known():
		return fmt.Errorf("%w: unknown %v", ErrMalformed, e.Kind)
	case !time.Unix(0, e.At.UnixNano()).Equal(e.At):
		return fmt.Errorf("%w: time %v does not fit nanoseconds in 64 bits", ErrMalformed, e.At)
	case e.Length < 0:
		return fmt.Errorf("%w: negative length %d", ErrMalformed, e.Length)
	case e.Kind.needsReason() && e.Text == "":
		return fmt.Errorf("%w: a %v must say why", ErrMalformed, e.Kind)
	}
	if err := validString("subject", e.Subject, 1, maxName); err != nil {
		return err
	}
	if err := validString("actor", e.Actor, 1, maxName); err != nil {
		return err
	}
	return validString("text", e.Text, 0, maxText)
}

func validString(field, s string, least, most int) error {
	switch {
	case len(s) < least || len(s) > most:
		return fmt.Errorf("%w: %s of %d bytes, want %d to %d", ErrMalformed, field, len(s), least, most)
	case !utf8.ValidString(s):
		return fmt.Errorf("%w: %s is not UTF-8", ErrMalformed, field)
	}
	for _, r := range s {
		if unicode.IsControl(r) {
			return fmt.Errorf("%w: %s has control character %U", ErrMalformed, field, r)
		}
	}
	return nil
}
