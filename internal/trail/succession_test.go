package trail

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"
)

func verifierKey(tb testing.TB, name string, seed byte) string {
	tb.Helper()
	key, err := VerifierKey(name, testKey(seed).Public().(ed25519.PublicKey))
	if err != nil {
		tb.Fatal(err)
	}
	return key
}

// after is a succession of keys by their seeds at a size, and its note.
func after(tb testing.TB, old, next byte, size int64) (Succession, []byte) {
	tb.Helper()
	s := Succession{
		Old: verifierKey(tb, testOrigin, old), New: verifierKey(tb, testOrigin, next),
		Last: Head{Origin: testOrigin, Size: size, Root: Hash{byte(size)}},
	}
	first, _ := testSigner(tb, testOrigin, old)
	second, _ := testSigner(tb, testOrigin, next)
	msg, err := SignSuccession(s, first, second)
	if err != nil {
		tb.Fatal(err)
	}
	return s, msg
}

// lost is one on the word of a keeper of a seed, or of the owner for 0.
func lost(tb testing.TB, old, next byte, size int64, keeper byte) (Succession, []byte) {
	tb.Helper()
	s, _ := after(tb, old, next, size)
	second, _ := testSigner(tb, testOrigin, next)
	signers := []note.Signer{second}
	if s.Word = OwnersWord; keeper != 0 {
		s.Word = verifierKey(tb, "keeper/wren", keeper)
		first, _ := testSigner(tb, "keeper/wren", keeper)
		signers = []note.Signer{first, second}
	}
	msg, err := SignSuccession(s, signers...)
	if err != nil {
		tb.Fatal(err)
	}
	return s, msg
}

func TestSuccessionIsSignedByThoseItNames(t *testing.T) {
	plain, msg := after(t, 1, 2, 17)
	if got, err := OpenSuccession(msg); err != nil || got != plain || got.OnWord() != "" {
		t.Errorf("%+v, %v", got, err)
	}
	for keeper, want := range map[byte]string{5: "keeper wren", 0: "the owner of the collector's folder"} {
		s, msg := lost(t, 1, 2, 17, keeper)
		if got, err := OpenSuccession(msg); err != nil || got != s || got.OnWord() != want {
			t.Errorf("%+v, %v", got, err)
		}
	}
	old, _ := testSigner(t, testOrigin, 1)
	next, _ := testSigner(t, testOrigin, 2)
	other, _ := testSigner(t, testOrigin, 3)
	wren, _ := testSigner(t, "keeper/wren", 5)
	onWord := plain
	onWord.Word = verifierKey(t, "keeper/wren", 5)
	self, foreign, nobody := plain, plain, plain
	self.New, foreign.New, nobody.Word = self.Old, verifierKey(t, "other.example/trail", 2), verifierKey(t, "analyst/wren", 5)
	for name, x := range map[string]struct {
		s       Succession
		signers []note.Signer
	}{
		"the new key alone":       {plain, []note.Signer{next}},
		"the old key alone":       {plain, []note.Signer{old}},
		"the wrong order":         {plain, []note.Signer{next, old}},
		"another beside them":     {plain, []note.Signer{old, next, other}},
		"another old key":         {plain, []note.Signer{other, next}},
		"a keeper without word":   {plain, []note.Signer{wren, next}},
		"a word without a keeper": {onWord, []note.Signer{next}},
		"a word by the old key":   {onWord, []note.Signer{old, next}},
		"itself":                  {self, []note.Signer{old}},
		"another's key":           {foreign, []note.Signer{old, next}},
		"an analyst's word":       {nobody, []note.Signer{wren, next}},
	} {
		if _, err := SignSuccession(x.s, x.signers...); err == nil {
			t.Errorf("%s: signed", name)
		}
		if msg, err := note.Sign(&note.Note{Text: x.s.Text()}, x.signers...); err == nil {
			if _, err := OpenSuccession(msg); err == nil {
				t.Errorf("%s: opens", name)
			}
		}
	}
}

// TestKeepersName: a keeper is found by his name in a word, whatever is in that, and by no
// other spelling of it; one whom nobody can be called is nobody.
func TestKeepersName(t *testing.T) {
	word := func(t interface{ Fatal(...any) }, name string) Succession {
		key, err := KeepersKey(name, testKey(5).Public().(ed25519.PublicKey))
		if err != nil {
			t.Fatal(err)
		}
		return Succession{Word: key}
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringOfN(rapid.SampledFrom([]rune("aö+/% \u00a0\u2003=20B~")), 1, 30, 80).Draw(t, "name")
		s := word(t, name)
		got, key, ok := s.Keeper()
		if !ok || got != name || !key.Equal(testKey(5).Public()) || s.OnWord() != "keeper "+name {
			t.Errorf("%q is %q in %s", name, got, s.Word)
		}
	})
	for spelt, want := range map[string]string{
		"wren/lee":   "wren/lee", // as it was once written
		"50%":        "50%",
		"wr%65n":     "wr%65n",
		"wren%0alee": "wren%0alee",
		"wren%0Alee": "wren%0Alee",
		"wren%ff":    "wren%ff",
		"wren%FF":    "wren%FF",
	} {
		if got, _, _ := (Succession{Word: verifierKey(t, "keeper/"+spelt, 5)}).Keeper(); got != want {
			t.Errorf("%s is %q", spelt, got)
		}
	}
}

// TestSuccessionIsNoHead: neither can be taken for the other.
func TestSuccessionIsNoHead(t *testing.T) {
	s, msg := after(t, 1, 2, 17)
	l, err := NewLine(s.New, Earlier{Key: s.Old, Last: 17})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenHead(msg, l); err == nil {
		t.Error("a succession opens as a head")
	}
	old, _ := testSigner(t, testOrigin, 1)
	if _, err := OpenSuccession(sign(t, s.Last, old)); !errors.Is(err, ErrMalformed) {
		t.Errorf("a head opens as a succession: %v", err)
	}
}

// TestLineOpensEachHeadByTheKeyOfItsTime: an old key signs nothing behind its end.
func TestLineOpensEachHeadByTheKeyOfItsTime(t *testing.T) {
	tb := t
	_, first := after(t, 1, 2, 17)
	_, second := after(t, 2, 3, 40)
	l, err := NewLine(verifierKey(t, testOrigin, 1))
	if err == nil {
		l, _, err = l.Walk(first, second)
	}
	if err != nil || l.Present() != verifierKey(t, testOrigin, 3) || len(l.Earlier()) != 2 {
		t.Fatalf("%+v, %v", l, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.ByteRange(1, 4).Draw(t, "key")
		size := rapid.Int64Range(1, 60).Draw(t, "size")
		s, err := NewSigner(testOrigin, testKey(seed))
		if err != nil {
			t.Fatal(err)
		}
		msg, err := SignHead(Head{Origin: testOrigin, Size: size, Root: Hash{9}}, s)
		if err != nil {
			t.Fatal(err)
		}
		want := seed == 1 && size <= 17 || seed == 2 && size <= 40 || seed == 3
		if _, err := OpenHead(msg, l); (err == nil) != want {
			t.Errorf("key %d over %d entries: %v", seed, size, err)
		}
		then := map[bool]byte{true: 1, false: 2}[size <= 17]
		if size > 40 {
			then = 3
		}
		if was, err := l.At(size); err != nil || was.Present() != verifierKey(tb, testOrigin, then) {
			t.Errorf("as it was of %d entries: %s, %v", size, was.Present(), err)
		}
	})
}

func TestLineIsWalkedOnlyForward(t *testing.T) {
	_, first := after(t, 1, 2, 17)
	_, second := after(t, 2, 3, 40)
	_, early := after(t, 2, 3, 17)
	_, back := after(t, 2, 1, 40)
	_, onWord := lost(t, 2, 3, 40, 5)
	start, err := NewLine(verifierKey(t, testOrigin, 1))
	if err != nil {
		t.Fatal(err)
	}
	for name, notes := range map[string][][]byte{
		"one is missing":      {second},
		"twice the same":      {first, first},
		"another order":       {second, first},
		"at the same size":    {first, early},
		"back to a key":       {first, back},
		"what is none":        {first, []byte("none")},
		"a changed signature": {bytes.Replace(first, []byte("\n17\n"), []byte("\n18\n"), 1)},
	} {
		if l, _, err := start.Walk(notes...); err == nil {
			t.Errorf("%s: leads to %s", name, l.Present())
		}
	}
	l, all, err := start.Walk(first, onWord)
	if err != nil || len(all) != 2 {
		t.Fatal(err)
	}
	for seed, want := range map[byte]error{1: ErrOnWord, 2: ErrOnWord, 3: nil, 4: nil} {
		ok, err := l.From(verifierKey(t, testOrigin, seed))
		if !errors.Is(err, want) || ok != (seed == 3) {
			t.Errorf("from key %d: %v, %v", seed, ok, err)
		}
		if want != nil && !strings.Contains(err.Error(), "on the word of keeper wren") {
			t.Errorf("it does not say on whose word: %v", err)
		}
	}
}

// FuzzOpenSuccession: what opens has one spelling, and says what signs it again.
func FuzzOpenSuccession(f *testing.F) {
	_, plain := after(f, 1, 2, 17)
	_, word := lost(f, 1, 2, 17, 5)
	_, owner := lost(f, 1, 2, 0x7fff, 0)
	for _, msg := range [][]byte{plain, word, owner, bytes.ToUpper(plain), append(bytes.Clone(plain), plain[bytes.LastIndex(plain, []byte("—")):]...)} {
		f.Add(msg)
	}
	old, _ := testSigner(f, testOrigin, 1)
	next, _ := testSigner(f, testOrigin, 2)
	wren, _ := testSigner(f, "keeper/wren", 5)
	f.Fuzz(func(t *testing.T, msg []byte) {
		s, err := OpenSuccession(msg)
		if err != nil {
			return
		}
		signers := []note.Signer{old, next}
		switch s.Word {
		case "":
		case OwnersWord:
			signers = signers[1:]
		default:
			signers[0] = wren
		}
		if again, err := SignSuccession(s, signers...); err != nil || !bytes.Equal(again, msg) {
			t.Errorf("%q opens and is spelt %q, %v", msg, again, err)
		}
	})
}

// FuzzParseSuccession: what is read as one is spelt so again, is no head, and leads
// from its old key to its new one and nowhere else.
func FuzzParseSuccession(f *testing.F) {
	plain, _ := after(f, 1, 2, 17)
	f.Add(plain.Text())
	plain.Word = OwnersWord
	f.Add(plain.Text())
	_, msg := lost(f, 1, 2, 17, 5)
	text, _, _ := bytes.Cut(msg, []byte("\n\n"))
	f.Add(string(text) + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := parseSuccession(text)
		if err != nil {
			return
		}
		if s.Text() != text || s.Old == s.New {
			t.Fatalf("%q is read as %q", text, s.Text())
		}
		if _, err := parseText(text); err == nil {
			t.Errorf("%q is a head, too", text)
		}
		l, err := NewLine(s.Old)
		if err == nil {
			l, err = l.Follow(s)
		}
		if err != nil || l.Present() != s.New || l.Origin() != s.Last.Origin {
			t.Fatalf("%q leads to %q: %v", text, l.Present(), err)
		}
		if _, err := l.Follow(s); err == nil {
			t.Errorf("%q follows itself", text)
		}
		if ok, err := l.From(s.Old); ok != (s.Word == "") || ok == (err != nil) {
			t.Errorf("%q: from the old key %v, %v", text, ok, err)
		}
	})
}
