package trust_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"strings"
	"testing"

	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestLoss: a keeper's word is good for one trail, keeper, member, token, reason and set
// of keys, and as good as the key alone.
func TestLoss(t *testing.T) {
	wren := labtest.Key(labtest.Seeded(15))
	whole := trust.Loss{
		Trail: "collector.dome.example/trail", Keeper: "wren", Member: trust.Member{Role: trust.Rig, Name: "heron"},
		Token: [sha256.Size]byte{7}, Keys: [][]byte{make([]byte, 32)}, Why: "the disk broke",
	}
	word := whole.Sign(wren)
	if err := whole.Check(*word); err != nil {
		t.Fatal(err)
	}
	for what, change := range map[string]func(l *trust.Loss){
		"trail":     func(l *trust.Loss) { l.Trail = "another.example/trail" },
		"keeper":    func(l *trust.Loss) { l.Keeper = "ibis" },
		"role":      func(l *trust.Loss) { l.Role = trust.Analyst },
		"name":      func(l *trust.Loss) { l.Name = "plover" },
		"token":     func(l *trust.Loss) { l.Token[9] ^= 1 },
		"key":       func(l *trust.Loss) { l.Keys = [][]byte{append(make([]byte, 31), 1)} },
		"more keys": func(l *trust.Loss) { l.Keys = append(l.Keys, make([]byte, 32)) },
		"no keys":   func(l *trust.Loss) { l.Keys = nil },
		"why":       func(l *trust.Loss) { l.Why = "the disk broke!" },
	} {
		other := whole
		change(&other)
		if other.Check(*word) == nil {
			t.Errorf("the word is good for another %s", what)
		}
	}
	for what, change := range map[string]func(w *trust.Word){
		"signature":   func(w *trust.Word) { w.Signature = append([]byte{w.Signature[0] ^ 1}, w.Signature[1:]...) },
		"key":         func(w *trust.Word) { w.Key = labtest.Key(labtest.Seeded(16)).Public().(ed25519.PublicKey) },
		"key of none": func(w *trust.Word) { w.Key = make([]byte, 32) },
		"short key":   func(w *trust.Word) { w.Key = w.Key[:31] },
		"no key":      func(w *trust.Word) { w.Key = nil },
		"no signing":  func(w *trust.Word) { w.Signature = nil },
	} {
		other := *word
		change(&other)
		if whole.Check(other) == nil {
			t.Errorf("a word holds with another %s", what)
		}
	}
	a := trust.Admission{Role: trust.Rig, Lost: whole.Keys, Why: whole.Why, Word: word}
	if got, err := trust.ParseAdmission(a.Text()); err != nil || got.CheckWord(whole.Trail, "wren", "heron") != nil {
		t.Errorf("what its entry says: %+v, %v", got, err)
	}
}

// FuzzWord: whatever an admission says of a keeper's word, it says it in one way, and
// only what his key has signed holds.
func FuzzWord(f *testing.F) {
	wren := labtest.Key(labtest.Seeded(15))
	const trail, keeper, name = "collector.dome.example/trail", "wren", "heron"
	signed := func(a trust.Admission) trust.Admission {
		a.Word = trust.Loss{Trail: trail, Keeper: keeper, Member: trust.Member{Role: a.Role, Name: name}, Token: [32]byte{7}, Keys: a.Lost, Why: a.Why}.Sign(wren)
		return a
	}
	one := signed(trust.Admission{Role: trust.Rig, Lost: [][]byte{make([]byte, 32)}, Why: "the disk broke"})
	f.Add(one.Text())
	f.Add(signed(trust.Admission{Role: trust.Keeper, Lost: [][]byte{make([]byte, 32), make([]byte, 32)}, Why: " on the word for token of key : which signed "}).Text())
	f.Add(strings.ToUpper(one.Text()))
	f.Add(strings.Replace(one.Text(), " of key ", " of key  ", 1))
	f.Add(strings.Replace(one.Text(), "the disk", "a disk", 1))
	f.Fuzz(func(t *testing.T, s string) {
		a, err := trust.ParseAdmission(s)
		if err != nil || a.Word == nil {
			return
		}
		if a.Text() != s || len(a.Lost) == 0 || !trust.ValidWhy(a.Why) {
			t.Errorf("%q is read as %q", s, a.Text())
		}
		// Ed25519 signs alike each time: it holds where it is what his key gives.
		own := signed(a)
		if err := a.CheckWord(trail, keeper, name); (err == nil) != (own.Text() == a.Text()) {
			t.Errorf("%q: %v", s, err)
		}
	})
}
