package durable_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"witnessmark/internal/durable"
)

// TestJournalAfterACut cuts a journal anywhere: what is left is its first lines,
// and it goes on from there.
func TestJournalAfterACut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "journal")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		path := filepath.Join(dir, "j.jsonl")
		j, got, err := durable.OpenJournal(path)
		if err != nil || len(got) != 0 {
			t.Fatal(got, err)
		}
		want := rapid.SliceOf(rapid.SliceOf(rapid.ByteRange(' ', 'z'))).Draw(t, "lines")
		if rapid.Bool().Draw(t, "at once") {
			if err := j.Append(want...); err != nil {
				t.Fatal(err)
			}
		} else {
			for _, l := range want {
				if err := j.Append(l); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(path)
		if err != nil || int64(len(b)) != j.Size() {
			t.Fatal(len(b), j.Size(), err)
		}
		cut := rapid.IntRange(0, len(b)).Draw(t, "cut")
		if err := os.Truncate(path, int64(cut)); err != nil {
			t.Fatal(err)
		}
		left := want[:bytes.Count(b[:cut], []byte("\n"))]
		j, got, err = durable.OpenJournal(path)
		if err != nil {
			t.Fatal(err)
		}
		same(t, got, left)
		if err := j.Append([]byte("after")); err != nil {
			t.Fatal(err)
		}
		all := append(left[:len(left):len(left)], []byte("after"))
		if b, err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
		same(t, durable.Lines(b), all)
		if err := j.Rewrite(all[len(all)/2:]); err != nil {
			t.Fatal(err)
		}
		if err := j.Append([]byte("last")); err != nil {
			t.Fatal(err)
		}
		if b, err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
		same(t, durable.Lines(b), append(all[len(all)/2:], []byte("last")))
		j.Close()
	})
}

func same(t *rapid.T, got, want [][]byte) {
	if len(got) != len(want) {
		t.Fatalf("%q, want %q", got, want)
	}
	for i := range got {
		if !bytes.Equal(got[i], want[i]) {
			t.Fatalf("%q, want %q", got, want)
		}
	}
}

// FuzzLines holds Lines to its word: what is whole is what AppendLine made, and
// each line counts.
func FuzzLines(f *testing.F) {
	f.Add(durable.AppendLine(durable.AppendLine(nil, []byte(`{"a":1}`)), nil))
	f.Add([]byte("00000000 \n\nx"))
	f.Fuzz(func(t *testing.T, b []byte) {
		texts := durable.Lines(b)
		if len(texts) != bytes.Count(b, []byte("\n")) {
			t.Fatalf("%d lines of %q", len(texts), b)
		}
		for i, line := range bytes.SplitAfter(b, []byte("\n")) {
			if i < len(texts) && texts[i] != nil && !bytes.Equal(durable.AppendLine(nil, texts[i]), line) {
				t.Fatalf("line %d is taken as %q", i, texts[i])
			}
		}
	})
}
