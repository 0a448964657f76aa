package archive_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

var nextKey = labtest.Key(labtest.Seeded(8))

func verifierOf(t testing.TB, key ed25519.PrivateKey) string {
	t.Helper()
	text, err := trail.VerifierKey(origin, key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestRekey: what was signed before holds by the old key, what comes after by the
// new one alone, and the old key signs nothing more.
func TestRekey(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	a := open(t, path)
	old, next := a.VerifierKey(), verifierOf(t, nextKey)
	g := labtest.NewRig("heron", labtest.Rand(t))
	one, two := g.Finish(labtest.Shape{LogBytes: 400}), g.Finish(labtest.Shape{LogBytes: 400})
	before := keep(t, a, keeping(one)).Receipt
	_, lastHead, err := a.Head()
	if err != nil {
		t.Fatal(err)
	}
	s, receipt, err := a.Rekey(archive.Rekeying{Next: nextKey, By: "wren", Why: "its year is over"})
	if err != nil || s.Old != old || s.New != next || s.Last.Size != 1 || s.Word != "" || receipt.Index != 1 {
		t.Fatalf("%+v, %+v, %v", s, receipt, err)
	}
	e, _, err := receipt.Check(labtest.Verifiers(t, next), trail.KindSuccession, receipt.RecordSHA256)
	if err != nil || e.Actor != "wren" || e.Text != "its year is over" {
		t.Errorf("%+v, %v", e, err)
	}
	after := keep(t, a, keeping(two)).Receipt
	for i, x := range []struct {
		receipt trail.Receipt
		run     labtest.Run
		key     string
	}{{before, one, old}, {after, two, next}} {
		for _, key := range []string{old, next} {
			_, _, err := x.receipt.Check(labtest.Verifiers(t, key), trail.KindRecord, x.run.Signed.SHA256())
			if (err == nil) != (key == x.key) {
				t.Errorf("receipt %d by %s: %v", i, key, err)
			}
		}
		checkRun(t, a, x.run, x.receipt)
	}
	_, _, seen, err := a.Extends([][]byte{lastHead, signedHead(t, 3)})
	if err != nil || !seen[0].Ours || seen[1].Signed {
		t.Errorf("heads by the old key, from before and after its end: %+v, %v", seen, err)
	}
	checkAll(t, a, 2, 3)
	if _, _, err := a.Rekey(archive.Rekeying{Next: nextKey, By: "wren", Why: "again"}); !errors.Is(err, archive.ErrKey) {
		t.Errorf("the same key again: %v", err)
	}
	if _, _, err := a.Rekey(archive.Rekeying{Next: options().Key, By: "wren", Why: "back"}); err == nil {
		t.Error("a key that had its time comes again")
	}
	if a.VerifierKey() != next {
		t.Error("what was refused has changed the key")
	}
	a.Close()
	reopenRekeyed(t, path, old, next)
}

func reopenRekeyed(t *testing.T, path, old, next string) {
	opt := options()
	if a, err := archive.Open(path, opt); err == nil {
		a.Close()
		t.Error("it opens for writing by a key that signs no more")
	}
	for _, opt.Key = range []ed25519.PrivateKey{options().Key, nextKey} {
		opt.Next = nextKey // as it lies there when the process was killed in between
		a, err := archive.Open(path, opt)
		if err != nil {
			t.Fatal(err)
		}
		if a.VerifierKey() != next {
			t.Errorf("its key is %s", a.VerifierKey())
		}
		checkAll(t, a, 2, 3)
		a.Close()
	}
	for _, key := range []string{"", old, next} {
		if n, err := archive.ExamineFile(context.Background(), path, key, archive.Examination{Found: func(f archive.Finding) { t.Error(f) }}); err != nil || n.VerifierKey != next {
			t.Errorf("by key %q: %+v, %v", key, n, err)
		}
	}
	found := 0
	other := verifierOf(t, labtest.Key(labtest.Seeded(77)))
	if _, err := archive.ExamineFile(context.Background(), path, other, archive.Examination{Found: func(archive.Finding) { found++ }}); err != nil || found == 0 {
		t.Errorf("by another key nothing is wrong: %v", err)
	}
}

// TestVouch: a lost key is followed on the word of a keeper or of the owner, which
// stays with it.
func TestVouch(t *testing.T) {
	first, wren := labtest.Key(labtest.Seeded(20)), labtest.Key(labtest.Seeded(21))
	for name, x := range map[string]struct {
		keeper ed25519.PrivateKey
		by     string
		word   string // "" where it is refused
	}{
		"a keeper":       {wren, "wren + lee", "keeper wren + lee"},
		"the owner":      {nil, "operator", "the owner of the collector's folder"},
		"another's key":  {labtest.Key(labtest.Seeded(22)), "wren + lee", ""},
		"another name":   {wren, "ibis", ""},
		"his key before": {first, "wren + lee", ""},
	} {
		path := filepath.Join(t.TempDir(), "archive.db")
		a := open(t, path)
		old := a.VerifierKey()
		keeper := trust.Member{Role: trust.Keeper, Name: "wren + lee"}
		admit(t, a, keeper, first.Public().(ed25519.PublicKey))
		rotate(t, a, keeper, first, wren)
		before, _, err := a.Head()
		if err != nil {
			t.Fatal(err)
		}
		a.Close()
		opt := options()
		opt.Key = nil
		s, err := archive.Vouch(path, opt, archive.Rekeying{Next: nextKey, By: x.by, Why: "the stick was lost", Keeper: x.keeper})
		if x.word == "" {
			if !errors.Is(err, archive.ErrKey) {
				t.Errorf("%s: %+v, %v", name, s, err)
			}
			open(t, path).Close() // as it was
			continue
		}
		if err != nil || s.OnWord() != x.word {
			t.Fatalf("%s: %+v, %v", name, s, err)
		}
		opt.Key = nextKey
		if a, err = archive.Open(path, opt); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		checkAll(t, a, 0, before.Size+1)
		if err := copied(t, a); err != nil {
			t.Errorf("%s: a copy says %v", name, err)
		}
		a.Close()
		if _, err := archive.OpenReadOnly(path, old, 0); !errors.Is(err, trail.ErrOnWord) {
			t.Errorf("%s: it opens for who knows the lost key: %v", name, err)
		}
	}
}

// TestWhoseWord: a word for the trail's key is that of a keeper of its time by his own
// key, and of him whom its entry names.
func TestWhoseWord(t *testing.T) {
	a := peopled(t)
	now, _, err := a.Head()
	if err != nil {
		t.Fatal(err)
	}
	early := now
	early.Size = 0 // where wren's key was admitted
	for what, x := range map[string]struct {
		name, actor string
		key         ed25519.PublicKey
		last        trail.Head
		says        string // "" holds
	}{
		"a keeper":                 {"wren", "wren", newKey(15), now, ""},
		"an entry of another":      {"wren", "ibis", newKey(15), now, "its entry says ibis"},
		"another keeper's name":    {"ibis", "ibis", newKey(15), now, "not any more, one of keeper ibis"},
		"an analyst":               {"swift", "swift", newKey(17), now, "not any more, one of keeper swift"},
		"one who came in that":     {"ibis", "ibis", newKey(16), early, "not any more, one of keeper ibis"},
		"a name that hides a name": {"wren%", "wren%", newKey(15), now, "not any more, one of keeper wren%"},
	} {
		key, err := trail.KeepersKey(x.name, x.key)
		if err != nil {
			t.Fatal(err)
		}
		err = a.Vouched(trail.Succession{Word: key, Last: x.last}, trail.Entry{Actor: x.actor})
		if (err == nil) != (x.says == "") || err != nil && !strings.Contains(err.Error(), x.says) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if err := a.Vouched(trail.Succession{Word: trail.OwnersWord, Last: now}, trail.Entry{Actor: "operator"}); err != nil {
		t.Errorf("the owner's: %v", err)
	}
}

// TestRekeyUnderLoad: each head is signed by the key of its moment, each copy by the one
// that it is said to be of, and a check tells of keys that belong together, whoever writes
// and reads at the same time.
func TestRekeyUnderLoad(t *testing.T) {
	a := fresh(t)
	var wg sync.WaitGroup
	for w := range uint64(3) {
		g := labtest.NewRig(fmt.Sprint("rig", w), labtest.Seeded(w))
		wg.Go(func() {
			for range 10 {
				if _, err := a.Keep(context.Background(), keeping(g.Finish(labtest.Shape{LogBytes: 400}))); err != nil {
					t.Error(err)
				}
				if _, _, _, err := a.Extends(nil); err != nil {
					t.Error(err)
				}
			}
		})
	}
	copied := filepath.Join(t.TempDir(), "copied.db")
	wg.Go(func() {
		for range 20 {
			var b bytes.Buffer
			var key string
			err := a.Copy(func(_ int64, k string) (io.Writer, error) { key = k; return &b, nil })
			if err == nil {
				err = os.WriteFile(copied, b.Bytes(), 0o600)
			}
			if err == nil {
				_, err = archive.ExamineFile(t.Context(), copied, key, archive.Examination{Found: func(f archive.Finding) { t.Error(f) }})
			}
			if err != nil {
				t.Error(err)
			}
		}
	})
	wg.Go(func() {
		for range 20 {
			n, err := a.Examine(t.Context(), archive.Examination{Found: func(f archive.Finding) { t.Error(f) }})
			if err != nil || len(n.Keys) == 0 || n.Keys[len(n.Keys)-1].Key != n.VerifierKey {
				t.Errorf("of the keys %v the last is not %s; %v", n.Keys, n.VerifierKey, err)
			}
		}
	})
	for i := range uint64(8) {
		if _, _, err := a.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(90 + i)), By: "wren", Why: "its year is over"}); err != nil {
			t.Error(err)
		}
	}
	wg.Wait()
	checkAll(t, a, 30, 38)
}
