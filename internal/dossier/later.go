package dossier

import (
	"bytes"
	"errors"
	"fmt"
	"slices"

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

// Later checks two files of one run: the older by itself, the newer by itself and
// that its trail only added to the older's. Lines are what came after the older was
// made. The newer must have been made with the older's head.
func Later(older, newer []byte, known Keys) (old, now Report, lines []Line, err error) {
	if old, err = Verify(older, known); err != nil {
		return old, now, nil, err
	}
	v := &verification{known: known}
	now, err = v.verify(newer)
	if err == nil {
		lines, err = v.since(older)
	}
	if err != nil {
		var f *Fault
		if errors.As(err, &f) {
			now.Failed = &Fault{"newer file, " + f.Member, f.Why}
			err = now.Failed
		}
	}
	return old, now, lines, err
}

// since holds the file against an older one that verifies.
func (v *verification) since(older []byte) ([]Line, error) {
	members, err := unpack(older)
	if err != nil {
		return nil, err
	}
	o, err := open(members)
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(o.Signed.Bytes, v.Signed.Bytes) || !bytes.Equal(text(o.Proof.Receipt), text(v.Proof.Receipt)) {
		return nil, at(recordName, fmt.Errorf("it is of run %s, with another record or receipt than the older file", v.run.ID))
	}
	if ok, err := v.line.From(o.Proof.VerifierKey); err != nil && len(v.known.Collectors) == 0 {
		v.doubt(keysName, "the older file is signed with %s: %v", o.Proof.VerifierKey, err)
	} else if !ok && err == nil {
		return nil, at(keyName, fmt.Errorf("nothing leads to it from the key of the older file, %s", o.Proof.VerifierKey))
	}
	then, err := v.olderOpened(o.Proof.Head)
	if err != nil {
		return nil, at(headName, err)
	}
	switch a := v.Proof.After; {
	case then == v.head:
		return nil, nil
	case a == nil || a.Head != string(o.Proof.Head):
		return nil, at(afterName, errors.New("it does not show that its trail adds to that of the older file"))
	}
	return v.after.sinceEntry(then.Size, v.went(then)), nil
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

// sinceEntry lists what the trail tells from an entry on.
func (s story) sinceEntry(size, from int64) []Line {
	var all []told
	say := map[int64]string{}
	add := func(x told, format string, args ...any) {
		if x.index >= from {
			all = append(all, x)
			say[x.index] = fmt.Sprintf(format, args...)
		}
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
