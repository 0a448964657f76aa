package trail

import (
	"fmt"

	"golang.org/x/mod/sumdb/note"
)

// Receipt proves that a record is in the trail: it holds all that [Receipt.Check]
// needs beside the collector's public key.
type Receipt struct {
	RecordSHA256 Digest
	Index        int64  // of the leaf
	Size         int64  // entries in the tree of Head
	Leaf         []byte // the entry's canonical bytes
	Proof        []Hash // from the leaf to the root
	Head         []byte // the signed note
}

// Issue makes the receipt for the record entry at index, under the head signed
// in note. Stored hashes that do not prove it give an error, never a receipt
// that its holder would refuse.
func Issue(leaf []byte, index int64, head Head, signed []byte, r HashReader) (Receipt, error) {
	e, err := ParseEntry(leaf)
	if err != nil {
		return Receipt{}, fmt.Errorf("issue receipt %d: %w", index, err)
	}
	if e.Kind != KindRecord {
		return Receipt{}, fmt.Errorf("issue receipt %d: entry is a %v", index, e.Kind)
	}
	proof, err := ProveInclusion(head.Size, index, r)
	if err != nil {
		return Receipt{}, fmt.Errorf("issue receipt: %w", err)
	}
	if err := CheckInclusion(head, index, leaf, proof); err != nil {
		return Receipt{}, fmt.Errorf("issue receipt: %w: %w", ErrStore, err)
	}
	return Receipt{RecordSHA256: e.Digest, Index: index, Size: head.Size, Leaf: leaf, Proof: proof, Head: signed}, nil
}

// Check verifies the receipt for the record whose digest is record: the head is
// signed by a known key of its origin, the leaf says that this record was kept,
// and the proof leads from it to the root. It returns both; whether the head
// extends the last one seen is for [CheckConsistency].
func (r Receipt) Check(known note.Verifiers, record Digest) (Entry, Head, error) {
	head, err := OpenHead(r.Head, known)
	if err != nil {
		return Entry{}, Head{}, fmt.Errorf("check receipt: %w", err)
	}
	e, err := r.entryOf(record)
	if err != nil {
		return Entry{}, Head{}, fmt.Errorf("check receipt: %s: %w", head.Origin, err)
	}
	if r.Size != head.Size {
		return Entry{}, Head{}, fmt.Errorf("check receipt: %s: size %d, head says %d", head.Origin, r.Size, head.Size)
	}
	if err := CheckInclusion(head, r.Index, r.Leaf, r.Proof); err != nil {
		return Entry{}, Head{}, fmt.Errorf("check receipt: %s: %w", head.Origin, err)
	}
	return e, head, nil
}

// entryOf parses the leaf and holds it against the record it should be about.
func (r Receipt) entryOf(record Digest) (Entry, error) {
	e, err := ParseEntry(r.Leaf)
	switch {
	case err != nil:
		return Entry{}, err
	case e.Kind != KindRecord:
		return Entry{}, fmt.Errorf("entry is a %v, not a record", e.Kind)
	case e.Digest != record || r.RecordSHA256 != record:
		return Entry{}, fmt.Errorf("receipt is for record %v, want %v", e.Digest, record)
	}
	return e, nil
}
