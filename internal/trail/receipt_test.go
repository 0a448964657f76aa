package trail

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
)

// recordLeaves makes n record entries and a retraction after them.
func recordLeaves(tb testing.TB, n int) [][]byte {
	tb.Helper()
	leaves := make([][]byte, n+1)
	for i := range leaves {
		e := Entry{
			Kind:    KindRecord,
			At:      time.Unix(1_770_000_000, int64(i)),
			Digest:  recordDigest(i),
			Length:  int64(i),
			Subject: fmt.Sprintf("heron-%06d", i),
			Actor:   "heron",
		}
		if i == n {
			e.Kind, e.Text = KindRetraction, "wrong setup"
		}
		b, err := e.Marshal()
		if err != nil {
			tb.Fatal(err)
		}
		leaves[i] = b
	}
	return leaves
}

func recordDigest(i int) Digest { return sha256.Sum256(fmt.Appendf(nil, "record %d", i)) }

func TestReceipt(t *testing.T) {
	const n = 21
	leaves := recordLeaves(t, n)
	store, heads := grow(t, leaves)
	s, v := testSigner(t, testOrigin, 1)
	known := note.VerifierList(v)
	head := heads[n+1]
	signed := sign(t, head, s)
	for i := range n {
		r, err := Issue(leaves[i], int64(i), head, signed, store)
		if err != nil {
			t.Fatal(err)
		}
		e, h, err := r.Check(known, KindRecord, recordDigest(i))
		if err != nil || h != head || e.Subject != fmt.Sprintf("heron-%06d", i) {
			t.Fatalf("receipt %d: %+v, %+v, %v", i, e, h, err)
		}
		if _, _, err := r.Check(known, KindRecord, recordDigest(i+1)); err == nil {
			t.Fatalf("receipt %d passes for another record", i)
		}
	}
	r, err := Issue(leaves[n], n, head, signed, store)
	if err != nil {
		t.Fatal(err)
	}
	if e, _, err := r.Check(known, KindRetraction, recordDigest(n)); err != nil || e.Text != "wrong setup" {
		t.Errorf("receipt of a retraction: %+v, %v", e, err)
	}
	if _, _, err := r.Check(known, KindRecord, recordDigest(n)); err == nil {
		t.Error("a retraction's receipt passes for a record's")
	}
}

// TestAlteredReceiptsAreRefused inverts every bit of one receipt.
func TestAlteredReceiptsAreRefused(t *testing.T) {
	const n, i = 21, 6
	leaves := recordLeaves(t, n)
	store, heads := grow(t, leaves)
	s, v := testSigner(t, testOrigin, 1)
	known := note.VerifierList(v)
	r, err := Issue(leaves[i], i, heads[n], sign(t, heads[n], s), store)
	if err != nil {
		t.Fatal(err)
	}
	tried, found := 0, 0
	refused := func(what string, r Receipt) {
		t.Helper()
		tried++
		if _, _, err := r.Check(known, KindRecord, recordDigest(i)); err == nil {
			t.Errorf("%s altered: passes", what)
		} else {
			found++
		}
	}
	flips(r.RecordSHA256[:], func(int) { refused("digest", r) })
	flips(r.Leaf, func(bit int) { refused(fmt.Sprintf("leaf bit %d", bit), r) })
	flips(r.Head, func(bit int) { refused(fmt.Sprintf("head bit %d", bit), r) })
	for k := range r.Proof {
		flips(r.Proof[k][:], func(int) { refused("proof", r) })
	}
	for bit := range 64 {
		x := r
		x.Index ^= 1 << bit
		refused("index", x)
		x = r
		x.Size ^= 1 << bit
		refused("size", x)
	}
	older := r
	older.Head = sign(t, heads[n-1], s)
	refused("head replaced by an older one", older)
	t.Logf("refused %d of %d altered receipts", found, tried)
}

// TestIssueFindsAlteredStore alters every stored hash: each of the proofs that
// would use it must not be issued, and each hash is used by some proof.
func TestIssueFindsAlteredStore(t *testing.T) {
	const n = 21
	leaves := recordLeaves(t, n)[:n]
	store, heads := grow(t, leaves)
	for x := range store {
		bad := slices.Clone(store)
		bad[x][31] ^= 1
		found := 0
		for i := range n {
			_, err := Issue(leaves[i], int64(i), heads[n], nil, bad)
			if errors.Is(err, ErrStore) {
				found++
			} else if err != nil {
				t.Fatal(err)
			}
		}
		if found == 0 {
			t.Errorf("stored hash %d altered: no receipt notices", x)
		}
	}
}

// BenchmarkReceipt gives the cost of a receipt and the size of its proof at
// three sizes of tree: both grow with the logarithm.
func BenchmarkReceipt(b *testing.B) {
	for _, n := range []int{1e3, 1e4, 1e5} {
		leaves := recordLeaves(b, n)[:n]
		store, last := growFast(b, leaves)
		s, v := testSigner(b, testOrigin, 1)
		b.Run(fmt.Sprintf("append/n=%d", n), func(b *testing.B) {
			for b.Loop() {
				if _, err := Append(last, leaves[0], store); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("prove/n=%d", n), func(b *testing.B) {
			i := 0
			for b.Loop() {
				i = (i + 7919) % n
				if _, err := Issue(leaves[i], int64(i), last, nil, store); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("receipt/n=%d", n), func(b *testing.B) {
			var r Receipt
			for b.Loop() {
				signed, err := SignHead(last, s)
				if err != nil {
					b.Fatal(err)
				}
				if r, err = Issue(leaves[0], 0, last, signed, store); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(r.Proof)), "hashes/proof")
			b.ReportMetric(float64(len(r.Leaf)+len(r.Head)+len(r.Proof)*len(Hash{})), "B/receipt")
		})
		r, err := Issue(leaves[0], 0, last, sign(b, last, s), store) // the longest path
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("check/n=%d", n), func(b *testing.B) {
			for b.Loop() {
				if _, _, err := r.Check(note.VerifierList(v), KindRecord, recordDigest(0)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func growFast(tb testing.TB, leaves [][]byte) (Hashes, Head) {
	tb.Helper()
	var store Hashes
	last := EmptyHead(testOrigin)
	for _, leaf := range leaves {
		g, err := Append(last, leaf, store)
		if err != nil {
			tb.Fatal(err)
		}
		store, last = append(store, g.Hashes...), g.Head
	}
	return store, last
}

// TestProofGrowsWithTheLogarithm holds the longest proof to log2 of the size.
func TestProofGrowsWithTheLogarithm(t *testing.T) {
	n := 1000
	if !testing.Short() {
		n = 10_000
	}
	leaves := recordLeaves(t, n)[:n]
	store, last := growFast(t, leaves)
	longest := 0
	for i := 0; i < n; i += 97 {
		r, err := Issue(leaves[i], int64(i), last, nil, store)
		if err != nil {
			t.Fatal(err)
		}
		longest = max(longest, len(r.Proof))
	}
	if limit := bitsOf(n); longest > limit {
		t.Errorf("proof of %d hashes in a tree of %d, want at most %d", longest, n, limit)
	}
}

// bitsOf is the least k with 2^k >= n.
func bitsOf(n int) int {
	k := 0
	for 1<<k < n {
		k++
	}
	return k
}
