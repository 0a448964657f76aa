package trail

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// merkleVectors are the Certificate Transparency reference vectors for the tree
// of RFC 6962 section 2.1 (the RFC prints none). Provenance: public copy,
// several agree; verified with sumdb/tlog of golang.org/x/mod
// v0.43.0 and with an independent implementation (see mth below).
type merkleVectors struct {
	Leaves     []string `json:"leaves_hex"`
	LeafHashes []string `json:"leaf_hashes"`
	Roots      []string `json:"roots_by_size"`
	Inclusion  []struct {
		Index int64    `json:"leaf_index0"`
		Size  int64    `json:"tree_size"`
		Proof []string `json:"proof"`
	} `json:"inclusion"`
	Consistency []struct {
		First  int64    `json:"first"`
		Second int64    `json:"second"`
		Proof  []string `json:"proof"`
	} `json:"consistency"`
}

func readVectors(t *testing.T) merkleVectors {
	t.Helper()
	b, err := os.ReadFile("../../testdata/check/merkle.json")
	if err != nil {
		t.Fatal(err)
	}
	var v merkleVectors
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Leaves) != 8 || len(v.Roots) != 9 || len(v.Inclusion) != 5 || len(v.Consistency) != 5 {
		t.Fatalf("vectors: %d leaves, %d roots, %d inclusion, %d consistency; want 8, 9, 5, 5",
			len(v.Leaves), len(v.Roots), len(v.Inclusion), len(v.Consistency))
	}
	return v
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func unhexHashes(t *testing.T, list []string) []Hash {
	t.Helper()
	var out []Hash
	for _, s := range list {
		out = append(out, Hash(unhex(t, s)))
	}
	return out
}

const testOrigin = "collector.dome.example/trail"

// grow builds a tree leaf by leaf and returns its stored hashes and every head.
func grow(tb testing.TB, leaves [][]byte) (Hashes, []Head) {
	tb.Helper()
	var store Hashes
	heads := []Head{EmptyHead(testOrigin)}
	for i, leaf := range leaves {
		g, err := Append(heads[i], leaf, store)
		if err != nil {
			tb.Fatal(err)
		}
		if g.Index != int64(i) || g.First != int64(len(store)) {
			tb.Fatalf("entry %d: index %d, first %d, want first %d", i, g.Index, g.First, len(store))
		}
		store = append(store, g.Hashes...)
		heads = append(heads, g.Head)
	}
	return store, heads
}

func someLeaves(n int) [][]byte {
	leaves := make([][]byte, n)
	for i := range leaves {
		leaves[i] = fmt.Appendf(nil, "leaf %d", i)
	}
	return leaves
}

// mth, path and subproof follow the recursive definitions of RFC 6962 sections
// 2.1, 2.1.1 and 2.1.2 word for word and share no code with the package.
func mth(d [][]byte) Hash {
	switch len(d) {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return sha256.Sum256(append([]byte{0}, d[0]...))
	}
	k := split(len(d))
	return node(mth(d[:k]), mth(d[k:]))
}

func node(l, r Hash) Hash {
	return sha256.Sum256(slices.Concat([]byte{1}, l[:], r[:]))
}

// split is the largest power of two smaller than n.
func split(n int) int {
	k := 1
	for 2*k < n {
		k *= 2
	}
	return k
}

func path(m int, d [][]byte) []Hash {
	if len(d) == 1 {
		return nil
	}
	k := split(len(d))
	if m < k {
		return append(path(m, d[:k]), mth(d[k:]))
	}
	return append(path(m-k, d[k:]), mth(d[:k]))
}

func subproof(m int, d [][]byte, whole bool) []Hash {
	if m == len(d) {
		if whole {
			return nil
		}
		return []Hash{mth(d)}
	}
	k := split(len(d))
	if m <= k {
		return append(subproof(m, d[:k], whole), mth(d[k:]))
	}
	return append(subproof(m-k, d[k:], false), mth(d[:k]))
}

func TestCertificateTransparencyVectors(t *testing.T) {
	v := readVectors(t)
	var leaves [][]byte
	for i, s := range v.Leaves {
		leaves = append(leaves, unhex(t, s))
		if got := tlog.RecordHash(leaves[i]); got != Hash(unhex(t, v.LeafHashes[i])) {
			t.Errorf("leaf %d: hash %x, want %s", i, got, v.LeafHashes[i])
		}
	}
	store, heads := grow(t, leaves)
	for n, h := range heads {
		if h.Root != Hash(unhex(t, v.Roots[n])) || h.Size != int64(n) {
			t.Errorf("root of %d: %x, want %s", n, h.Root, v.Roots[n])
		}
		if own := mth(leaves[:n]); own != h.Root {
			t.Errorf("root of %d: recursive definition gives %x", n, own)
		}
	}
	for _, c := range v.Inclusion {
		want := unhexHashes(t, c.Proof)
		got, err := ProveInclusion(c.Size, c.Index, store)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("inclusion %d in %d: %v, %v; want %v", c.Index, c.Size, got, err, want)
		}
		if err := CheckInclusion(heads[c.Size], c.Index, leaves[c.Index], want); err != nil {
			t.Errorf("inclusion %d in %d: %v", c.Index, c.Size, err)
		}
	}
	for _, c := range v.Consistency {
		want := unhexHashes(t, c.Proof)
		got, err := ProveConsistency(c.First, c.Second, store)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("consistency %d to %d: %v, %v; want %v", c.First, c.Second, got, err, want)
		}
		if err := CheckConsistency(heads[c.First], heads[c.Second], want); err != nil {
			t.Errorf("consistency %d to %d: %v", c.First, c.Second, err)
		}
	}
}

// TestAllPairs holds every inclusion and consistency proof of every tree of up
// to 64 entries against the recursive definition and against its own check.
func TestAllPairs(t *testing.T) {
	leaves := someLeaves(64)
	store, heads := grow(t, leaves)
	for n := 1; n <= len(leaves); n++ {
		for m := range n {
			p, err := ProveInclusion(int64(n), int64(m), store)
			if err != nil || !slices.Equal(p, path(m, leaves[:n])) {
				t.Fatalf("inclusion %d in %d: %v, %v", m, n, p, err)
			}
			if err := CheckInclusion(heads[n], int64(m), leaves[m], p); err != nil {
				t.Fatal(err)
			}
		}
		for m := 0; m <= n; m++ {
			p, err := ProveConsistency(int64(m), int64(n), store)
			if err != nil || m > 0 && !slices.Equal(p, subproof(m, leaves[:n], true)) {
				t.Fatalf("consistency %d to %d: %v, %v", m, n, p, err)
			}
			if err := CheckConsistency(heads[m], heads[n], p); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// flips calls f with each bit of b inverted in turn.
func flips(b []byte, f func(bit int)) {
	for i := range 8 * len(b) {
		b[i/8] ^= 1 << (i % 8)
		f(i)
		b[i/8] ^= 1 << (i % 8)
	}
}

func TestAlteredProofsAreRefused(t *testing.T) {
	leaves := someLeaves(64)
	store, heads := grow(t, leaves)
	tried := 0
	for _, n := range []int64{1, 2, 3, 5, 8, 11, 64} {
		for m := range n {
			tried += alterInclusion(t, heads[n], m, leaves[m], store)
		}
		for m := int64(1); m <= n; m++ {
			tried += alterConsistency(t, heads[m], heads[n], store)
		}
	}
	t.Logf("refused all of %d altered proofs", tried)
}

func alterInclusion(t *testing.T, head Head, m int64, leaf []byte, store Hashes) (tried int) {
	t.Helper()
	p, err := ProveInclusion(head.Size, m, store)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(what string, h Head, m int64, leaf []byte, p []Hash) {
		t.Helper()
		tried++
		if CheckInclusion(h, m, leaf, p) == nil {
			t.Fatalf("inclusion %d in %d: %s passes", m, h.Size, what)
		}
	}
	for i := range p {
		flips(p[i][:], func(bit int) { refused(fmt.Sprintf("bit %d of hash %d", bit, i), head, m, leaf, p) })
		refused("a hash missing", head, m, leaf, slices.Delete(slices.Clone(p), i, i+1))
	}
	refused("a hash more", head, m, leaf, append(slices.Clone(p), Hash{}))
	refused("another leaf", head, m, append(slices.Clone(leaf), 0), p)
	flips(head.Root[:], func(bit int) { refused(fmt.Sprintf("bit %d of the root", bit), head, m, leaf, p) })
	for other := int64(-1); other <= head.Size; other++ {
		if other != m {
			refused("another index", head, other, leaf, p)
		}
	}
	return tried
}

func alterConsistency(t *testing.T, older, newer Head, store Hashes) (tried int) {
	t.Helper()
	p, err := ProveConsistency(older.Size, newer.Size, store)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(what string, older, newer Head, p []Hash) {
		t.Helper()
		tried++
		err := CheckConsistency(older, newer, p)
		var bad *InconsistentError
		if !errors.As(err, &bad) || bad.Older != older || bad.Newer != newer || bad.Hint() == "" {
			t.Fatalf("consistency %d to %d: %s gives %v", older.Size, newer.Size, what, err)
		}
	}
	for i := range p {
		flips(p[i][:], func(bit int) { refused(fmt.Sprintf("bit %d of hash %d", bit, i), older, newer, p) })
		refused("a hash missing", older, newer, slices.Delete(slices.Clone(p), i, i+1))
	}
	refused("a hash more", older, newer, append(slices.Clone(p), Hash{}))
	flips(older.Root[:], func(bit int) { refused("the older root altered", older, newer, p) })
	flips(newer.Root[:], func(bit int) { refused("the newer root altered", older, newer, p) })
	if older.Size < newer.Size {
		refused("the order reversed", newer, older, p)
	}
	return tried
}

func TestInconsistencyIsNamed(t *testing.T) {
	store, heads := grow(t, someLeaves(9))
	p, err := ProveConsistency(4, 9, store)
	if err != nil {
		t.Fatal(err)
	}
	forked, other := heads[4], heads[9]
	forked.Root[0] ^= 1
	other.Origin = "other.example/trail"
	for _, c := range []struct {
		older, newer Head
		proof        []Hash
		want         error
	}{
		{heads[9], heads[4], p, ErrRolledBack},
		{heads[4], forked, nil, ErrForked},
		{forked, heads[9], p, ErrNotProved},
		{heads[0], heads[9], p, ErrNotProved},
		{heads[4], other, p, errOtherTrail},
	} {
		if err := CheckConsistency(c.older, c.newer, c.proof); !errors.Is(err, c.want) {
			t.Errorf("%d to %d: %v, want %v", c.older.Size, c.newer.Size, err, c.want)
		}
	}
}

// TestAppendRefusesAlteredStore alters each stored hash in turn. Those that the
// root or any later entry rests on must stop the next append; the rest are under
// them and are found when the proof that uses them is issued.
func TestAppendRefusesAlteredStore(t *testing.T) {
	leaves := someLeaves(37)
	store, heads := grow(t, leaves)
	last := heads[len(leaves)]
	stopped := 0
	for i := range store {
		store[i][3] ^= 0x10
		g, err := Append(last, []byte("next"), store)
		switch {
		case err == nil:
			if g.Head.Root != mth(append(slices.Clone(leaves), []byte("next"))) {
				t.Fatalf("stored hash %d altered: grew to a wrong root", i)
			}
		case errors.Is(err, ErrStore):
			stopped++
		default:
			t.Fatal(err)
		}
		store[i][3] ^= 0x10
	}
	if want := 3; stopped != want { // 37 = 32 + 4 + 1: three complete subtrees
		t.Errorf("stopped at %d altered hashes, want %d", stopped, want)
	}
	if _, err := Append(last, nil, store[:len(store)-1]); err == nil {
		t.Error("grew a store that lacks its last hash")
	}
}

func TestSizesOutOfRange(t *testing.T) {
	store, heads := grow(t, someLeaves(3))
	huge := heads[3]
	huge.Size = 1<<62 + 1 // tlog would not return
	ok := []error{
		CheckInclusion(huge, 0, nil, make([]Hash, 70)),
		CheckConsistency(heads[3], huge, make([]Hash, 70)),
		CheckStore(huge, store),
		errOf(ProveInclusion(1<<62+1, 1, store)),
		errOf(ProveInclusion(3, 3, store)),
		errOf(ProveInclusion(3, -1, store)),
		errOf(ProveConsistency(4, 3, store)),
		errOf(ProveConsistency(1, 1<<62+1, store)),
		errOf(Append(huge, nil, store)),
		errOf(Hashes(store).ReadHashes([]int64{-1})),
	}
	for i, err := range ok {
		if !errors.Is(err, ErrSize) {
			t.Errorf("case %d: %v, want ErrSize", i, err)
		}
	}
}

func errOf[T any](_ T, err error) error { return err }

// TestGrownOver proves from hashes that are not stored yet.
func TestGrownOver(t *testing.T) {
	leaves := someLeaves(40)
	store, heads := grow(t, leaves[:39])
	g, err := Append(heads[39], leaves[39], store)
	if err != nil {
		t.Fatal(err)
	}
	for i := range int64(40) {
		p, err := ProveInclusion(40, i, g.Over(store))
		if err != nil {
			t.Fatal(err)
		}
		if err := CheckInclusion(g.Head, i, leaves[i], p); err != nil {
			t.Fatal(err)
		}
	}
	short := tlog.HashReaderFunc(func([]int64) ([]Hash, error) { return nil, nil })
	if _, err := ProveInclusion(40, 0, g.Over(short)); err == nil {
		t.Error("a reader that gives too few hashes passes")
	}
}
