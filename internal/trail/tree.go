package trail

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Hash is a node of the tree, SHA-256 by RFC 6962 section 2.1.
type Hash = tlog.Hash

// HashReader gives stored hashes by their place in the dense order, as many as
// were asked for and in the same order, or an error.
type HashReader = tlog.HashReader

// MaxSize bounds the entries of a tree. Beyond 2^62 the size arithmetic of tlog
// does not end, so a size from outside is held against this first.
const MaxSize = 1 << 48

var (
	// ErrStore is returned when stored hashes do not give the head they should.
	ErrStore = errors.New("stored hashes do not give the last head")
	// ErrNotProved is returned when a proof does not lead to the root it should.
	ErrNotProved = errors.New("proof does not lead to the root")
	// ErrSize is returned when a size or index is negative, too large, or outside the tree.
	ErrSize = errors.New("size or index out of range")
)

// Hashes holds the stored hashes of a whole tree in memory, in order.
type Hashes []Hash

// ReadHashes implements [HashReader].
func (s Hashes) ReadHashes(indexes []int64) ([]Hash, error) {
	out := make([]Hash, len(indexes))
	for i, x := range indexes {
		if x < 0 || x >= int64(len(s)) {
			return nil, fmt.Errorf("stored hash %d of %d: %w", x, len(s), ErrSize)
		}
		out[i] = s[x]
	}
	return out, nil
}

// Grown is what adding one entry makes of a tree: Hashes are to be stored at
// First, First+1, ..., before or together with Head.
type Grown struct {
	Index  int64 // of the new leaf
	First  int64 // place of Hashes[0] in the stored order
	Hashes []Hash
	Head   Head // unsigned
}

// Append adds leaf to the tree that last describes and r stores. It writes
// nothing. If r does not give last's root the tree is not grown and the error
// is [ErrStore]: what was altered under a signed head is never signed again.
func Append(last Head, leaf []byte, r HashReader) (Grown, error) {
	if err := last.validate(); err != nil {
		return Grown{}, fmt.Errorf("append to trail: %w", err)
	}
	if last.Size >= MaxSize {
		return Grown{}, fmt.Errorf("append to trail of %d: %w", last.Size, ErrSize)
	}
	if err := CheckStore(last, r); err != nil {
		return Grown{}, fmt.Errorf("append to trail: %w", err)
	}
	hashes, err := tlog.StoredHashes(last.Size, leaf, r)
	if err != nil {
		return Grown{}, fmt.Errorf("append to trail of %d: %w", last.Size, err)
	}
	g := Grown{
		Index:  last.Size,
		First:  tlog.StoredHashIndex(0, last.Size),
		Hashes: hashes,
		Head:   Head{Origin: last.Origin, Size: last.Size + 1},
	}
	g.Head.Root, err = tlog.TreeHash(g.Head.Size, g.Over(r))
	if err != nil {
		return Grown{}, fmt.Errorf("append to trail of %d: %w", last.Size, err)
	}
	return g, nil
}

// Over gives r with the new hashes on top, to prove from before they are stored.
func (g Grown) Over(r HashReader) HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]Hash, error) {
		var older []int64
		for _, x := range indexes {
			if !g.holds(x) {
				older = append(older, x)
			}
		}
		old, err := readAll(r, older)
		if err != nil {
			return nil, err
		}
		out := make([]Hash, len(indexes))
		for i, x := range indexes {
			if g.holds(x) {
				out[i] = g.Hashes[x-g.First]
			} else {
				out[i], old = old[0], old[1:]
			}
		}
		return out, nil
	})
}

func (g Grown) holds(x int64) bool {
	return x >= g.First && x < g.First+int64(len(g.Hashes))
}

func readAll(r HashReader, indexes []int64) ([]Hash, error) {
	if len(indexes) == 0 {
		return nil, nil
	}
	got, err := r.ReadHashes(indexes)
	if err == nil && len(got) != len(indexes) {
		err = fmt.Errorf("read %d stored hashes, got %d", len(indexes), len(got))
	}
	return got, err
}

// CheckStore reports whether the hashes in r give head's root, else [ErrStore].
// It reads about log2(size) hashes, not the tree.
func CheckStore(head Head, r HashReader) error {
	if head.Size < 0 || head.Size > MaxSize {
		return fmt.Errorf("tree of %d: %w", head.Size, ErrSize)
	}
	root, err := tlog.TreeHash(head.Size, r)
	if err != nil {
		return fmt.Errorf("tree of %d: %w", head.Size, err)
	}
	if root != head.Root {
		return fmt.Errorf("tree of %d: root %v, head says %v: %w", head.Size, root, head.Root, ErrStore)
	}
	return nil
}

// HeadOf gives the head that origin's tree had at a size, when it has now entries.
func HeadOf(origin string, size, now int64, r HashReader) (Head, error) {
	if size < 0 || size > now || now > MaxSize {
		return Head{}, fmt.Errorf("head of %d in a tree of %d: %w", size, now, ErrSize)
	}
	if size == 0 {
		return EmptyHead(origin), nil
	}
	root, err := tlog.TreeHash(size, r)
	if err != nil {
		return Head{}, fmt.Errorf("head of %d: %w", size, err)
	}
	return Head{Origin: origin, Size: size, Root: root}, nil
}

// ProveInclusion gives the path from leaf index to the root of the tree of size.
func ProveInclusion(size, index int64, r HashReader) ([]Hash, error) {
	if size > MaxSize || index < 0 || index >= size {
		return nil, fmt.Errorf("prove entry %d of %d: %w", index, size, ErrSize)
	}
	p, err := tlog.ProveRecord(size, index, r)
	if err != nil {
		return nil, fmt.Errorf("prove entry %d of %d: %w", index, size, err)
	}
	return p, nil
}

// CheckInclusion reports whether proof shows leaf at index in the tree of head;
// it gives [ErrNotProved] if not, [ErrSize] if index lies outside the tree.
func CheckInclusion(head Head, index int64, leaf []byte, proof []Hash) error {
	if err := head.validate(); err != nil {
		return fmt.Errorf("check entry %d: %w", index, err)
	}
	if index < 0 || index >= head.Size {
		return fmt.Errorf("check entry %d of %d: %w", index, head.Size, ErrSize)
	}
	err := tlog.CheckRecord(proof, head.Size, head.Root, index, tlog.RecordHash(leaf))
	if err != nil {
		return fmt.Errorf("check entry %d of %d: %w", index, head.Size, ErrNotProved)
	}
	return nil
}

// ProveConsistency gives the proof that the tree of size begins with all entries
// of the tree of older. From an empty tree, and to the same size, it is empty.
func ProveConsistency(older, size int64, r HashReader) ([]Hash, error) {
	if older < 0 || older > size || size > MaxSize {
		return nil, fmt.Errorf("prove trail %d from %d: %w", size, older, ErrSize)
	}
	if older == 0 {
		return nil, nil
	}
	p, err := tlog.ProveTree(size, older, r)
	if err != nil {
		return nil, fmt.Errorf("prove trail %d from %d: %w", size, older, err)
	}
	return p, nil
}

// CheckConsistency reports whether proof shows that newer only adds to older.
// If not, the error is an [InconsistentError] that carries both heads.
func CheckConsistency(older, newer Head, proof []Hash) error {
	for _, h := range [...]Head{older, newer} {
		if err := h.validate(); err != nil {
			return fmt.Errorf("check trail: %w", err)
		}
	}
	refuse := func(why error) error { return &InconsistentError{Older: older, Newer: newer, Why: why} }
	switch {
	case older.Origin != newer.Origin:
		return refuse(errOtherTrail)
	case newer.Size < older.Size:
		return refuse(ErrRolledBack)
	case newer.Size == older.Size && newer.Root != older.Root:
		return refuse(ErrForked)
	case older.Size == 0:
		if len(proof) != 0 {
			return refuse(ErrNotProved)
		}
		return nil
	}
	if tlog.CheckTree(proof, newer.Size, newer.Root, older.Size, older.Root) != nil {
		return refuse(ErrNotProved)
	}
	return nil
}

var (
	// ErrRolledBack is returned when the newer head has fewer entries.
	ErrRolledBack = errors.New("the trail was rolled back")
	// ErrForked is returned when two heads of one size have different roots.
	ErrForked = errors.New("two trails of the same size differ")

	errOtherTrail = errors.New("the heads are of different trails")
)

// InconsistentError says that Newer was not shown to extend Older. With both
// signed heads at hand, [ErrForked] convicts the collector before anybody, and
// [ErrRolledBack] before who knows that Newer was signed later, which no head says;
// [ErrNotProved] may also be a wrong proof for honest heads.
type InconsistentError struct {
	Older, Newer Head
	Why          error
}

func (e *InconsistentError) Error() string {
	return fmt.Sprintf("check trail: %s: %v: seen %d %v, now %d %v", e.Newer.Origin, e.Why,
		e.Older.Size, e.Older.Root, e.Newer.Size, e.Newer.Root)
}

// Unwrap gives the reason, one of this package's sentinels.
func (e *InconsistentError) Unwrap() error { return e.Why }

// Hint says what to do with the two heads.
func (e *InconsistentError) Hint() string {
	return "keep both signed heads and the receipts: they are the evidence"
}
