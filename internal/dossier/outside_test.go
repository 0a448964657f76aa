package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/labtest"
)

// outsider checks a dossier with nothing of this project and no library for trees or
// signed notes: with zip, JSON, SHA-256, Ed25519 and X.509 of the standard library. It
// was written from RFC 9162, sections 2.1.1 (leaves and nodes; the tree is that of RFC
// 6962) and 2.1.3.2 (inclusion proofs), from C2SP's signed-note and tlog-checkpoint for
// heads, and for the rest from the package comments of dossier, record and trail.
type outsider map[string][]byte

// place is an entry of the trail as receipts and lists of entries have it.
type place struct {
	Index, Size int64
	Leaf        []byte
	Proof       [][]byte
	Head        []byte
}

// check returns the first thing that does not hold.
func (o outsider) check(collector string) error {
	record := o["record"]
	if err := o.signed(record); err != nil {
		return err
	}
	var receipt struct{ Receipt place }
	if err := json.Unmarshal(o["trail/receipt.json"], &receipt); err != nil {
		return err
	}
	then := receipt.Receipt
	size, root, err := openHead(then.Head, collector)
	if err != nil || size != then.Size {
		return fmt.Errorf("the receipt's head of %d entries, for %d: %w", size, then.Size, err)
	}
	if err := then.in(size, root); err != nil {
		return fmt.Errorf("receipt: %w", err)
	}
	// An entry: "wme", version, kind, nanoseconds, SHA-256, length, then three strings.
	if digest := sha256.Sum256(record); len(then.Leaf) < 53 || string(then.Leaf[:5]) != "wme\x01\x01" ||
		!bytes.Equal(then.Leaf[13:45], digest[:]) || binary.BigEndian.Uint64(then.Leaf[45:53]) != uint64(len(record)) {
		return errors.New("the entry is about something else")
	}
	now, root, err := openHead(o["trail/head"], collector)
	if err != nil || now < then.Size {
		return fmt.Errorf("the present head of %d entries: %w", now, err)
	}
	var entries []place
	if err := json.Unmarshal(o["trail/entries.json"], &entries); err != nil {
		return err
	}
	for _, e := range entries {
		if err := e.in(now, root); err != nil {
			return fmt.Errorf("entry %d: %w", e.Index, err)
		}
	}
	if !slices.ContainsFunc(entries, func(e place) bool { return e.Index == then.Index && bytes.Equal(e.Leaf, then.Leaf) }) {
		return errors.New("the receipt's entry is not in the present tree")
	}
	return nil
}

// signed holds the record against the rig's signature, and the key against its certificate.
func (o outsider) signed(record []byte) error {
	var by struct {
		Key       []byte `json:"public_key"`
		Signature []byte `json:"signature"`
	}
	if err := json.Unmarshal(o["record.sig"], &by); err != nil {
		return err
	}
	if len(by.Key) != ed25519.PublicKeySize || !ed25519.Verify(by.Key, slices.Concat([]byte("witnessmark record v1\n"), record), by.Signature) {
		return errors.New("the record is not signed by its key")
	}
	leaf, rest := pem.Decode(o["rig/chain.pem"])
	authority, _ := pem.Decode(rest)
	if leaf == nil || authority == nil {
		return errors.New("no certificate, or none of its authority")
	}
	c, err := x509.ParseCertificate(leaf.Bytes)
	if err != nil {
		return err
	}
	a, err := x509.ParseCertificate(authority.Bytes)
	if err != nil {
		return err
	}
	if !c.PublicKey.(ed25519.PublicKey).Equal(ed25519.PublicKey(by.Key)) || len(c.URIs) != 1 || c.URIs[0].String() != "witnessmark:rig/heron" {
		return fmt.Errorf("the certificate is of another key, or for %v", c.URIs)
	}
	return c.CheckSignatureFrom(a) // RFC 5280
}

// openHead reads a head signed by the key of vkey, NAME+HASH+KEY.
func openHead(note []byte, vkey string) (size int64, root []byte, err error) {
	at := bytes.LastIndex(note, []byte("\n\n"))
	part := strings.SplitN(vkey, "+", 3)
	if at < 0 || len(part) != 3 {
		return 0, nil, errors.New("no note, or no key")
	}
	text := note[:at+1]
	lines := strings.Split(string(text), "\n")
	key, err := base64.StdEncoding.Strict().DecodeString(part[2])
	if err != nil || len(key) != 1+ed25519.PublicKeySize || key[0] != 1 || len(lines) != 4 || lines[0] != part[0] {
		return 0, nil, fmt.Errorf("head %q, key %q: %w", lines, vkey, err)
	}
	id := sha256.Sum256(slices.Concat([]byte(part[0]), []byte("\n"), key))
	if fmt.Sprintf("%x", id[:4]) != part[1] {
		return 0, nil, errors.New("the key is not that of its hash")
	}
	for line := range strings.Lines(string(note[at+2:])) {
		by, ok := strings.CutPrefix(line, "\u2014 "+part[0]+" ")
		if !ok {
			continue
		}
		sig, err := base64.StdEncoding.Strict().DecodeString(strings.TrimSuffix(by, "\n"))
		if err != nil || len(sig) != 4+ed25519.SignatureSize || !bytes.Equal(sig[:4], id[:4]) || !ed25519.Verify(key[1:], text, sig[4:]) {
			continue
		}
		if size, err = strconv.ParseInt(lines[1], 10, 64); err != nil {
			return 0, nil, err
		}
		root, err = base64.StdEncoding.Strict().DecodeString(lines[2])
		return size, root, err
	}
	return 0, nil, errors.New("not signed by the key")
}

// in is the algorithm of RFC 9162, section 2.1.3.2.
func (p place) in(size int64, root []byte) error {
	if p.Index < 0 || p.Index >= size {
		return fmt.Errorf("not in a tree of %d", size)
	}
	fn, sn, r := p.Index, size-1, sha256.Sum256(slices.Concat([]byte{0}, p.Leaf))
	for _, v := range p.Proof {
		if sn == 0 {
			return errors.New("the proof is too long")
		}
		if fn&1 == 1 || fn == sn {
			r = sha256.Sum256(slices.Concat([]byte{1}, v, r[:]))
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			r = sha256.Sum256(slices.Concat([]byte{1}, r[:], v))
		}
		fn, sn = fn>>1, sn>>1
	}
	if sn != 0 || !bytes.Equal(r[:], root) {
		return errors.New("the proof does not lead to the root")
	}
	return nil
}

// TestOutsider: whoever has a dossier and the public keys, and no line of this project,
// comes to the same: it holds, and does not with any bit of what proves it changed.
func TestOutsider(t *testing.T) {
	s := newSite(t)
	for range 3 {
		s.send(t)
	}
	run := s.send(t)
	for range 4 {
		s.send(t)
	}
	if _, _, err := answer.NewClient(s.owner).Retract(t.Context(), run.ID, "wren", "the lamp was on"); err != nil {
		t.Fatal(err)
	}
	o := outsider{}
	for _, m := range membersOf(t, s.dossier(t, run)) {
		o[m.name] = m.data
	}
	collector := strings.TrimSpace(string(o["trail/key"]))
	if err := o.check(collector); err != nil {
		t.Fatal(err)
	}
	if err := o.check(labtest.NewCollector(t).Archive.VerifierKey()); err == nil {
		t.Error("it holds with another collector's key")
	}

	rnd := rand.New(rand.NewPCG(31, 7))
	tried := 0
	altered := func(what string, b []byte, holds func() error) {
		for range 100 {
			i, bit := rnd.IntN(len(b)), byte(1)<<rnd.IntN(8)
			b[i] ^= bit
			if holds() == nil {
				t.Errorf("%s: bit %#02x of byte %d of %d goes unnoticed", what, bit, i, len(b))
			}
			b[i] ^= bit
			tried++
		}
	}
	all := func() error { return o.check(collector) }
	altered("record", o["record"], all)
	altered("trail/head", o["trail/head"], all)
	var entries []place
	if err := json.Unmarshal(o["trail/entries.json"], &entries); err != nil {
		t.Fatal(err)
	}
	size, root, err := openHead(o["trail/head"], collector)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		in := func() error { return e.in(size, root) }
		altered(fmt.Sprintf("leaf %d", e.Index), e.Leaf, in)
		for _, h := range e.Proof {
			altered(fmt.Sprintf("proof of %d", e.Index), h, in)
		}
	}
	t.Logf("%d changed bits in %d entries, record and head", tried, len(entries))
	if len(entries) < 4 {
		t.Errorf("%d entries: want those of record, key, certificate and retraction", len(entries))
	}
}
