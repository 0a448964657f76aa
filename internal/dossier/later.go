package dossier

import (
	"bytes"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

// HeadOf gives the signed head in a file, unchecked.
func HeadOf(b []byte) ([]byte, error) {
	members, err := unpack(b)
	if err != nil {
		return nil, err
	}
	return find(members, headName)
}

// Older is a file that was verified, as far as a newer one of its run is held against
// it. It keeps none of the file's bytes.
type Older struct {
	Report  Report
	Head    []byte // the signed note that a newer file is to lead on from
	known   Keys
	signed  record.Signed
	receipt trail.Receipt
	key     string
}

// VerifyOlder is Verify for a file that a newer one is to be held against.
func VerifyOlder(b []byte, known Keys) (o Older, err error) {
	v := &verification{known: known}
	if o.Report, err = v.verify(b); err != nil {
		return o, err
	}
	o.Head, o.known, o.receipt, o.key = bytes.Clone(v.Proof.Head), known, v.Proof.Receipt, v.Proof.VerifierKey
	o.signed = record.Signed{Bytes: bytes.Clone(v.Signed.Bytes), PublicKey: v.Signed.PublicKey}
	return o, nil
}

// Later verifies the newer file of the run, and that its trail only added to the
// older's. Lines are what came after the older was made. The newer must have been made
// with the older's head.
func (o Older) Later(newer []byte) (now Report, lines []Line, err error) {
	v := &verification{known: o.known}
	if _, err = v.verify(newer); err == nil {
		lines, err = v.since(o)
	}
	now = v.report
	if err != nil {
		var f *Fault
		if errors.As(err, &f) {
			now.Failed = &Fault{"newer file, " + f.Member, f.Why}
			err = now.Failed
		}
	}
	return now, lines, err
}

// since holds the file against an older one that verifies.
func (v *verification) since(o Older) ([]Line, error) {
	if !bytes.Equal(o.signed.Bytes, v.Signed.Bytes) {
		return nil, at(recordName, fmt.Errorf("it is of run %s, and its record is not that of the older file, of run %s", v.run.ID, o.Report.Run))
	}
	if !bytes.Equal(o.signed.PublicKey, v.Signed.PublicKey) {
		return nil, at(sigName, fmt.Errorf("key %s signed it, and that of the older file is %s", record.Fingerprint(v.Signed.PublicKey), record.Fingerprint(o.signed.PublicKey)))
	}
	again := !bytes.Equal(text(o.receipt), text(v.Proof.Receipt))
	if again && !v.after.wentBehind(o.receipt.Index) {
		return nil, at(receiptName, errors.New("it is another than that of the older file, and no restore in the file says why"))
	}
	if ok, err := v.line.From(o.key); err != nil && len(v.known.Collectors) == 0 {
		v.doubt(keysName, "the older file is signed with %s: %v", o.key, err)
	} else if !ok && err == nil {
		return nil, at(keyName, fmt.Errorf("nothing leads to it from the key of the older file, %s", o.key))
	}
	then, err := v.olderOpened(o.Head)
	if err != nil {
		return nil, at(headName, err)
	}
	switch a := v.Proof.After; {
	case then == v.head:
		return nil, nil
	case a == nil || a.Head != string(o.Head):
		return nil, at(afterName, errors.New("it does not show that its trail adds to that of the older file"))
	}
	return v.after.sinceEntry(then.Size, v.went(then), again), nil
}

// wentBehind says whether a restore went back behind an entry.
func (s story) wentBehind(index int64) bool {
	return slices.ContainsFunc(s.restores, func(r told) bool { return r.index <= index })
}

// went tells whether a restore has gone back behind a head, and to which entry.
func (v *verification) went(then trail.Head) int64 {
	if v.Proof.After.Consistency != nil {
		return then.Size
	}
	for _, r := range v.after.restores {
		if r.index < then.Size {
			return r.index
		}
	}
	return then.Size
}

// sinceEntry lists what the trail tells from an entry on; again says that the run was
// delivered once more.
func (s story) sinceEntry(size, from int64, again bool) []Line {
	var all []told
	say := map[int64]string{}
	add := func(x told, format string, args ...any) {
		if x.index >= from {
			all = append(all, x)
			say[x.index] = fmt.Sprintf(format, args...)
		}
	}
	if again {
		add(*s.own, "the run was delivered and kept once more")
	}
	for _, x := range s.changes {
		add(x, "%v of the run by %s: %s", x.Kind, x.Actor, x.Text)
	}
	for _, x := range s.restores {
		behind := ""
		if x.index < size {
			behind = ", behind the head of the older file"
		}
		add(x, "the archive was restored%s by %s: %s", behind, x.Actor, x.Text)
	}
	for _, x := range s.succeeded {
		how := "signed by the old one"
		if word := x.of.OnWord(); word != "" {
			how = "on the word of " + word + ", for the old one was lost"
		}
		add(x.told, "another key signs the trail, %s, by %s: %s; it is %s", how, x.Actor, x.Text, x.of.New)
	}
	for _, a := range s.keys.admitted {
		add(a.told, "another key was admitted for the rig %s", a.word())
		if r := a.revoked; r != nil {
			add(*r, "a key of the rig was revoked by %s: %s", r.Actor, r.Text)
		}
	}
	slices.SortFunc(all, func(a, b told) int { return int(a.index - b.index) })
	var out []Line
	for _, x := range all {
		out = append(out, Line{Member: entriesName, Holds: fmt.Sprintf("entry %d, %s UTC: %s", x.index, screen.At(x.At), say[x.index])})
	}
	return out
}

// After shows how the trail of a newer file belongs to the head of an older one.
type After struct {
	Head        string       `json:"head"`        // of the older file, a signed note
	Consistency []trail.Hash `json:"consistency"` // nil where a restore went back behind it
}

// givenUp says whether a restore is to have gone back behind that head.
func (a *After) givenUp() bool { return a != nil && a.Consistency == nil }

var errGivenUp = errors.New("no proof leads from the older file's head to this one's, and no restore in the file says why")

// olderHead checks how the trail belongs to the head of an older file.
func (v *verification) olderHead() error {
	if v.Proof.After == nil {
		return nil
	}
	h, err := v.olderOpened([]byte(v.Proof.After.Head))
	if err != nil {
		return at(afterName, err)
	}
	if err := trail.CheckConsistency(h, v.head, v.Proof.After.Consistency); err == nil {
		v.holds(afterName, "from the %s of an older file the trail only grew", screen.Many(int(h.Size), "entry", "entries"))
		return nil
	}
	for _, r := range v.after.restores {
		if r.index < h.Size && v.Proof.After.givenUp() {
			v.doubt(afterName, "the trail went back behind the %s of an older file: the restore at entry %d", screen.Many(int(h.Size), "entry", "entries"), r.index)
			return nil
		}
	}
	return at(afterName, errGivenUp)
}

// olderOpened opens a head of before, by the keys of now and of then.
func (v *verification) olderOpened(signed []byte) (trail.Head, error) {
	h, err := trail.OpenHead(signed, v.line)
	if err == nil {
		return h, nil
	}
	// A restore may have gone back behind a head that a key signed after its end in
	// the trail of now.
	for _, e := range v.line.Earlier() {
		if k, bad := note.NewVerifier(e.Key); bad == nil {
			if h, bad := trail.OpenHead(signed, note.VerifierList(k)); bad == nil {
				return h, nil
			}
		}
	}
	return h, err
}
