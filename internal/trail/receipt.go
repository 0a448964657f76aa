package trail

import (
	"fmt"

	"golang.org/x/mod/sumdb/note"
)

// Receipt proves that something is in the trail: it holds all that
// [Receipt.Check] needs beside the collector's public key.
type Receipt struct {
	RecordSHA256 Digest // what the entry is about, by its digest
	Index        int64  // of the leaf
	Size         int64  // entries in the tree of Head
	Leaf         []byte // the entry's canonical bytes
	Proof        []Hash // from the leaf to the root
	Head         []byte // the signed note

	// Of the two trees of SeenSize, which the holder asked from, and Size the
	// larger begins with all entries of the smaller. It is nil where that was
	// not asked or could not be proved.
	SeenSize    int64  `json:",omitempty"`
	Consistency []Hash `json:",omitempty"`
}

// Issue makes the receipt for the entry at index, under the head signed in
// signed. Stored hashes that do not prove it give [ErrStore], never a receipt
// that its holder would refuse.
func Issue(leaf []byte, index int64, head Head, signed []byte, r HashReader) (Receipt, error) {
	e, err := ParseEntry(leaf)
	if err != nil {
		return Receipt{}, fmt.Errorf("issue receipt %d: %w", index, err)
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

// Check verifies that the receipt is for what was sent: the head is signed by a
// known key of its origin, the leaf is an entry of that kind about the bytes of
// that digest, and the proof leads from it to the root. It returns entry and
// head; whether the head belongs to the last one seen is for [Receipt.CheckSeen].
func (r Receipt) Check(known note.Verifiers, kind Kind, digest Digest) (Entry, Head, error) {
	head, err := OpenHead(r.Head, known)
	if err != nil {
		return Entry{}, Head{}, fmt.Errorf("check receipt: %w", err)
	}
	e, err := r.entryOf(kind, digest)
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

// entryOf parses the leaf and holds it against what it should be about.
func (r Receipt) entryOf(kind Kind, digest Digest) (Entry, error) {
	e, err := ParseEntry(r.Leaf)
	switch {
	case err != nil:
		return Entry{}, err
	case e.Kind != kind:
		return Entry{}, fmt.Errorf("entry is a %v, want a %v", e.Kind, kind)
	case e.Digest != digest || r.RecordSHA256 != digest:
		return Entry{}, fmt.Errorf("receipt is for %v, want %v", e.Digest, digest)
	}
	return e, nil
}

// CheckSeen verifies that head, which [Receipt.Check] gave, and the last head
// seen are of one trail that only grew. A receipt given long ago has a head older
// than seen. If not, the error is an [InconsistentError].
func (r Receipt) CheckSeen(seen, head Head) error {
	if seen.Size != r.SeenSize {
		return fmt.Errorf("check receipt: %s: it goes from size %d, %d was seen", head.Origin, r.SeenSize, seen.Size)
	}
	if head.Size < seen.Size {
		return CheckConsistency(head, seen, r.Consistency)
	}
	return CheckConsistency(seen, head, r.Consistency)
}
