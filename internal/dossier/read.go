package dossier

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// container is the name under which faults of the whole file are told.
const container = "the file itself"

// unpack lists the members of a container. Nothing is decompressed or copied, so that
// no file takes more memory than it has bytes. That the container is the one that
// they make, and holds nothing else, is for [verification.whole].
func unpack(b []byte) ([]member, error) {
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return nil, at(container, fmt.Errorf("it is no dossier: %w", err))
	}
	if len(z.File) > mostMembers {
		return nil, at(container, fmt.Errorf("it has %d members; at most %d are read", len(z.File), mostMembers))
	}
	var out []member
	left := uint64(len(b))
	for _, f := range z.File {
		if f.Method != zip.Store || len(f.Name) > mostNameSize {
			return nil, at(short(f.Name), errors.New("it is compressed, or its name is too long"))
		}
		begin, err := f.DataOffset()
		if err != nil {
			return nil, at(short(f.Name), err)
		}
		size := f.UncompressedSize64
		if size > left || uint64(begin) > uint64(len(b))-size {
			return nil, at(container, errors.New("its members lie over each other, or beyond its end"))
		}
		left -= size
		out = append(out, member{f.Name, b[begin:][:size:size]})
	}
	return out, nil
}

// short is a member's name as it is told; it may be anything.
func short(name string) string { return name[:min(len(name), mostNameSize)] }

// reader takes members in their order.
type reader struct {
	members []member
	edition int
	next    int
	err     error
}

// has says whether a member of the name is there, wherever.
func (r *reader) has(name string) bool {
	return slices.ContainsFunc(r.members, func(m member) bool { return m.name == name })
}

// find gives a member wherever it is.
func find(members []member, name string) ([]byte, error) {
	i := slices.IndexFunc(members, func(m member) bool { return m.name == name })
	if i < 0 {
		return nil, at(name, errors.New("it is missing"))
	}
	return members[i].data, nil
}

// take gives the next member, which must have the name.
func (r *reader) take(name string) []byte {
	switch {
	case r.err != nil:
		return nil
	case r.next < len(r.members) && r.members[r.next].name == name:
		r.next++
		return r.members[r.next-1].data
	}
	if _, r.err = find(r.members, name); r.err == nil {
		r.err = at(name, fmt.Errorf("it is not at its place, %d", r.next+1))
	}
	return nil
}

// parse takes a JSON member that is spelt as Make spells it.
func (r *reader) parse(name string, v any) {
	b := r.take(name)
	if r.err != nil {
		return
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		r.err = at(name, err)
	} else if !bytes.Equal(text(v), b) {
		r.err = at(name, errors.New("it is not spelt as it is written"))
	}
}

// some refuses a member that lists nothing: there is none where there is nothing.
func (r *reader) some(name string, n int) {
	if r.err == nil && n == 0 {
		r.err = at(name, errors.New("it is empty"))
	}
}

func (r *reader) signed(name, sig string) (s record.Signed) {
	s.Bytes = r.take(name)
	var x signature
	r.parse(sig, &x)
	s.PublicKey, s.Signature = x.PublicKey, x.Signature
	return s
}

// opened is a file taken apart.
type opened struct {
	Contents
	run     *record.Run
	marked  *record.Run // of the mark; nil for none
	members []member    // all of them, the seal last
}

// decoded reads a record that is signed.
func decoded(s record.Signed, name, sig string) (*record.Run, error) {
	if err := s.Verify(); err != nil {
		return nil, at(sig, err)
	}
	run, err := record.Decode(s.Bytes)
	if err != nil {
		return nil, at(name, err)
	}
	return run, nil
}

// open gives the members their meaning. What the records say is read once they are
// known to be signed.
func open(members []member, edition int) (o *opened, err error) {
	o = &opened{members: members}
	r := &reader{members: o.members, edition: edition}
	r.take(coverName)
	if o.Signed = r.signed(recordName, sigName); r.err != nil {
		return nil, r.err
	}
	if o.run, err = decoded(o.Signed, recordName, sigName); err != nil {
		return nil, err
	}
	run, c := o.run, &o.Contents
	if r.has(chainName) {
		c.Proof.Chain = r.take(chainName)
	}
	if r.has(lossesName) {
		r.parse(lossesName, &c.Proof.Losses)
		r.some(lossesName, len(c.Proof.Losses))
	}
	for i, a := range run.Attachments {
		c.Files = append(c.Files, r.take(fileName(i, a.Name)))
	}
	if run.Setup != nil {
		if s := r.take(setupName); r.err == nil && !bytes.Equal(s, run.Setup.Source) {
			r.err = at(setupName, errors.New("it is not the setup that the record carries"))
		}
	}
	if r.has(markName) || r.has(markSigName) {
		m := r.signed(markName, markSigName)
		if c.Mark = &m; r.err == nil {
			o.marked, r.err = decoded(m, markName, markSigName)
		}
	}
	r.proof(&c.Proof)
	r.take(sealName)
	if r.err == nil && r.next < len(o.members) {
		r.err = at(short(o.members[r.next].name), errors.New("it does not belong into a dossier, or not at this place"))
	}
	return o, r.err
}

func (r *reader) receipt() (trail.Receipt, []trail.Hash) {
	if r.edition < spelledSince {
		var x firstReceiptFile
		r.parse(receiptName, &x)
		return x.Receipt, x.Consistency
	}
	var x receiptFile
	r.parse(receiptName, &x)
	if b := x.Receipt.RecordSHA256; len(b) == len(trail.Digest{}) {
		x.Receipt.Receipt.RecordSHA256 = trail.Digest(b)
	} else if r.err == nil {
		r.err = at(receiptName, errors.New("its digest is no SHA-256"))
	}
	return x.Receipt.Receipt, x.Consistency
}

func (r *reader) proof(p *Proof) {
	key := string(r.take(keyName))
	p.VerifierKey = strings.TrimSuffix(key, "\n")
	if r.err == nil && p.VerifierKey+"\n" != key {
		r.err = at(keyName, errors.New("it is not spelt as it is written"))
	}
	if r.has(keysName) {
		r.parse(keysName, &p.Keys)
		r.some(keysName, len(p.Keys))
	}
	p.Receipt, p.Consistency = r.receipt()
	p.Summary = r.take(summaryName)
	r.parse(entriesName, &p.Entries)
	p.Head = r.take(headName)
	if r.has(afterName) {
		p.After = &After{}
		r.parse(afterName, p.After)
	}
	if r.has(cosignedName) {
		r.parse(cosignedName, &p.Cosigned)
		r.some(cosignedName, len(p.Cosigned))
	}
}
