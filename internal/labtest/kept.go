package labtest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// KeptRun is what an archive holds of one run, by SHA-256 in hexadecimal.
type KeptRun struct {
	Record  string
	Files   map[string]string // by the attachment's name
	Receipt trail.Receipt
}

// Kept lists every run of an archive by its id and holds the archive against
// itself on the way: each run once in the listing and once in the trail, every
// signature, receipt, hash and page in order.
func Kept(t testing.TB, a *archive.Archive) map[string]KeptRun {
	t.Helper()
	ctx := context.Background()
	n, err := a.Check(ctx)
	if err != nil {
		t.Error(err)
	}
	kept := map[string]KeptRun{}
	places := map[int64]string{}
	known, err := a.Line()
	if err != nil {
		t.Fatal(err)
	}
	err = a.Runs(ctx, archive.Query{}, func(r archive.Row) error {
		if _, ok := kept[r.ID]; ok {
			t.Errorf("run %s is listed twice", r.ID)
		}
		st, err := a.Run(r.ID)
		if err != nil {
			return err
		}
		run, err := record.Decode(st.Signed.Bytes)
		if err != nil {
			return err
		}
		if _, _, err := st.Receipt.Check(known, trail.KindRecord, st.Signed.SHA256()); err != nil {
			t.Errorf("run %s: %v", r.ID, err)
		}
		if other, ok := places[st.Receipt.Index]; ok {
			t.Errorf("runs %s and %s have one place in the trail", other, r.ID)
		}
		places[st.Receipt.Index] = r.ID
		k := KeptRun{Record: Sum(st.Signed.Bytes), Files: map[string]string{}, Receipt: st.Receipt}
		for _, p := range run.Attachments {
			b, err := a.Part(r.ID, p.Name)
			if err != nil {
				return err
			}
			k.Files[p.Name] = Sum(b)
		}
		kept[r.ID] = k
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	head, _, err := a.Head()
	if err != nil || head.Size != n.Entries || len(kept) != n.Runs {
		t.Errorf("%d runs listed, %d there, trail of %d with %d entries; %v", len(kept), n.Runs, head.Size, n.Entries, err)
	}
	return kept
}

// Sum is the SHA-256 in hexadecimal.
func Sum(b []byte) string { return fmt.Sprintf("%x", sha256.Sum256(b)) }
