package archive_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

var (
	theHeron = trust.Member{Role: trust.Rig, Name: "heron"}
	theWren  = trust.Member{Role: trust.Keeper, Name: "wren"}
	theIbis  = trust.Member{Role: trust.Keeper, Name: "ibis"}
)

func secretKey(n uint64) ed25519.PrivateKey { return labtest.Key(labtest.Seeded(n)) }

// sumsOf gives the hashes of keys.
func sumsOf(keys ...ed25519.PublicKey) (sums [][]byte) {
	for _, k := range keys {
		sum := sha256.Sum256(k)
		sums = append(sums, sum[:])
	}
	return sums
}

// signedToken is one for heron's lost keys that a keeper has signed.
func signedToken(a *archive.Archive, by string, with ed25519.PrivateKey, secret trust.Secret, lost ...ed25519.PublicKey) archive.JoinToken {
	now := time.Now().UTC()
	t := archive.JoinToken{Member: theHeron, By: by, Made: now, Expires: now.Add(time.Hour), Lost: "the disk broke", Keys: sumsOf(lost...)}
	t.Word = trust.Loss{Trail: a.Origin(), Keeper: by, Member: theHeron, Token: secret.Hash(), Keys: t.Keys, Why: t.Lost}.Sign(with)
	return t
}

// FuzzTokenOfALoss: whatever comes as a keeper's word, a token is made by it where it is
// what his key gives for that token, of the keys that the member has, and nowhere else.
func FuzzTokenOfALoss(f *testing.F) {
	a := peopled(f)
	sums := sumsOf(newKey(1))
	honest := func(by, why string, hash [sha256.Size]byte) *trust.Word {
		return trust.Loss{Trail: a.Origin(), Keeper: by, Member: theHeron, Token: hash, Keys: sums, Why: why}.Sign(secretKey(15))
	}
	seed := func(n byte, by, why string, size int, lost []byte) {
		hash := trust.Secret{n}.Hash()
		w := honest("wren", "the disk broke", hash)
		f.Add(by, why, hash[:], []byte(w.Key), w.Signature[:size], lost)
	}
	seed(50, "wren", "the disk broke", ed25519.SignatureSize, sums[0])
	seed(51, "ibis", "the disk broke", ed25519.SignatureSize, sums[0])
	seed(52, "wren", "it fell", ed25519.SignatureSize, sums[0])
	seed(53, "wren", "the disk broke", ed25519.SignatureSize-1, sums[0])
	seed(54, "wren", "the disk broke", 0, nil)
	seed(55, "wren", "the disk broke", ed25519.SignatureSize, slices.Concat(sums[0], sums[0]))
	f.Fuzz(func(t *testing.T, by, why string, hash, key, signature, lost []byte) {
		if len(hash) != sha256.Size || !trust.ValidName(by) || !trust.ValidWhy(why) {
			t.Skip() // which the service refuses before
		}
		var keys [][]byte
		for part := range slices.Chunk(lost, sha256.Size) {
			keys = append(keys, part)
		}
		word := &trust.Word{Token: [sha256.Size]byte(hash), Key: key, Signature: signature}
		err := a.AddToken(word.Token, archive.JoinToken{Member: theHeron, By: by, Expires: time.Now().Add(time.Hour), Lost: why, Keys: keys, Word: word})
		if trust.ReasonOf(err) == archive.TokenUsed {
			t.Skip() // it was made before
		}
		own := honest(by, why, word.Token)
		is := by == "wren" && bytes.Equal(key, own.Key) && bytes.Equal(signature, own.Signature) && slices.EqualFunc(keys, sums, bytes.Equal)
		if (err == nil) != is {
			t.Errorf("by %q, %q, %x: %v", by, why, signature, err)
		}
	})
}

// peopled is an archive with the keepers wren (key 15) and ibis (16), an analyst (17)
// and heron (1).
func peopled(t testing.TB) *archive.Archive {
	t.Helper()
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	t.Cleanup(func() { a.Close() })
	admit(t, a, theWren, newKey(15))
	admit(t, a, theIbis, newKey(16))
	admit(t, a, trust.Member{Role: trust.Analyst, Name: "swift"}, newKey(17))
	admit(t, a, theHeron, newKey(1))
	return a
}

// TestSignedLoss: what a keeper has signed of lost keys comes whole into the entry of
// the key in their place, and passes the examination and a copy.
func TestSignedLoss(t *testing.T) {
	a := peopled(t)
	rotate(t, a, theHeron, secretKey(1), secretKey(2))
	secret := trust.Secret{50}
	token := signedToken(a, "wren", secretKey(15), secret, newKey(2))
	if err := a.AddToken(secret.Hash(), token); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Fatalf("with the token that waits: %v", err)
	}
	// Who has the lost key changes it meanwhile, and gains nothing by that. The key before
	// it goes with it.
	rotate(t, a, theHeron, secretKey(2), secretKey(4))
	k, err := a.Join(secret.Hash(), theHeron, newKey(3), trust.Chain{})
	if err != nil || k.Word == nil || len(k.Lost) != 1 {
		t.Fatalf("%+v, %v", k, err)
	}
	if in := good(t, a, "heron"); len(in) != 1 || !in[0].Key.Equal(newKey(3)) {
		t.Errorf("heron has %+v", in)
	}
	said, err := trust.ParseAdmission(entryAt(t, a, k.Index).Text)
	if err != nil || said.Word == nil || said.CheckWord(a.Origin(), "wren", "heron") != nil {
		t.Errorf("the entry says %+v, %v", said, err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
	if err := copied(t, a); err != nil {
		t.Error(err)
	}
	// A keeper who goes later has been one then.
	if _, err := a.Revoke("wren", "ibis", "he left"); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
	// The word was for that token, and is spent.
	if err := a.AddToken(secret.Hash(), token); trust.ReasonOf(err) != archive.KeyNotLost {
		t.Errorf("made once more: %v", err)
	}
}

// TestTokenOfALoss: no token is made by a word that is not a keeper's, of another token,
// or of other keys than those of the member.
func TestTokenOfALoss(t *testing.T) {
	a := peopled(t)
	rotate(t, a, theIbis, secretKey(16), secretKey(18))
	admit(t, a, trust.Member{Role: trust.Keeper, Name: "gone"}, newKey(19))
	if _, err := a.Revoke("gone", "wren", "he left"); err != nil {
		t.Fatal(err)
	}
	secret := trust.Secret{50}
	changed := func(change func(t *archive.JoinToken)) archive.JoinToken {
		x := signedToken(a, "wren", secretKey(15), secret, newKey(1))
		change(&x)
		return x
	}
	own := trust.Loss{Trail: a.Origin(), Keeper: "wren", Member: theWren, Token: secret.Hash(), Keys: sumsOf(newKey(15)), Why: "x"}
	elsewhere := trust.Loss{Trail: "another.example/trail", Keeper: "wren", Member: theHeron, Token: secret.Hash(), Keys: sumsOf(newKey(1)), Why: "the disk broke"}
	for what, x := range map[string]struct {
		token  archive.JoinToken
		reason string
	}{
		"a forged signature":    {changed(func(t *archive.JoinToken) { t.Word.Signature[3] ^= 1 }), trust.BadSignature},
		"another keeper's name": {changed(func(t *archive.JoinToken) { t.By = "ibis" }), archive.KeyRevoked},
		"a revoked keeper":      {signedToken(a, "gone", secretKey(19), secret, newKey(1)), archive.KeyRevoked},
		"an analyst":            {signedToken(a, "swift", secretKey(17), secret, newKey(1)), archive.KeyRevoked},
		"nobody":                {signedToken(a, "wren", secretKey(30), secret, newKey(1)), archive.KeyRevoked},
		"a keeper's key before": {signedToken(a, "ibis", secretKey(16), secret, newKey(1)), archive.KeySucceeded},
		"another token":         {signedToken(a, "wren", secretKey(15), trust.Secret{51}, newKey(1)), archive.TokenOther},
		"another's keys":        {signedToken(a, "wren", secretKey(15), secret, newKey(17)), archive.KeyNotLost},
		"a key more":            {signedToken(a, "wren", secretKey(15), secret, newKey(1), newKey(2)), archive.KeyNotLost},
		"another reason":        {changed(func(t *archive.JoinToken) { t.Lost = "it fell" }), trust.BadSignature},
		"another collector":     {changed(func(t *archive.JoinToken) { t.Word = elsewhere.Sign(secretKey(15)) }), trust.BadSignature},
		"the lost key's own":    {archive.JoinToken{Member: theWren, By: "wren", Expires: time.Now().Add(time.Hour), Lost: own.Why, Keys: own.Keys, Word: own.Sign(secretKey(15))}, archive.KeyNotLost},
	} {
		if err := a.AddToken(secret.Hash(), x.token); trust.ReasonOf(err) != x.reason {
			t.Errorf("%s: %v, and not %s", what, err, x.reason)
		}
	}
	if err := a.AddToken(secret.Hash(), signedToken(a, "wren", secretKey(15), secret, newKey(1))); err != nil {
		t.Fatal(err)
	}
	if err := a.AddToken(secret.Hash(), archive.JoinToken{Member: theHeron, By: "wren"}); trust.ReasonOf(err) != archive.TokenUsed {
		t.Errorf("another token of that secret: %v", err)
	}
}

// TestWordWhenJoining: what the keeper has signed is held against the keys of the moment
// in which the token is spent, and nothing is revoked by one that is refused.
func TestWordWhenJoining(t *testing.T) {
	for what, x := range map[string]struct {
		meanwhile func(a *archive.Archive)
		key       ed25519.PublicKey
		reason    string
	}{
		"the keeper is revoked":         {func(a *archive.Archive) { revoke(t, a, "wren") }, newKey(3), archive.TokenUnknown},
		"the keeper has another key":    {func(a *archive.Archive) { rotate(t, a, theWren, secretKey(15), secretKey(20)) }, newKey(3), archive.KeySucceeded},
		"another key of the rig joined": {func(a *archive.Archive) { admit(t, a, theHeron, newKey(4)) }, newKey(3), archive.KeyNotLost},
		"with the key that is lost":     {func(*archive.Archive) {}, newKey(1), archive.KeyNotLost},
		"the loss was made good": {func(a *archive.Archive) {
			if _, err := joinInPlace(t, a, theHeron, "it broke", newKey(5)); err != nil {
				t.Fatal(err)
			}
		}, newKey(3), archive.KeyNotLost},
	} {
		a := peopled(t)
		secret := trust.Secret{50}
		if err := a.AddToken(secret.Hash(), signedToken(a, "wren", secretKey(15), secret, newKey(1))); err != nil {
			t.Fatal(err)
		}
		x.meanwhile(a)
		before := len(good(t, a, "heron"))
		if k, err := a.Join(secret.Hash(), theHeron, x.key, trust.Chain{}); trust.ReasonOf(err) != x.reason {
			t.Errorf("%s: %+v, %v", what, k, err)
		}
		if n := len(good(t, a, "heron")); n != before {
			t.Errorf("%s: heron has %d good keys, and had %d", what, n, before)
		}
		if _, err := a.Check(t.Context()); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func revoke(t *testing.T, a *archive.Archive, name string) {
	t.Helper()
	if _, err := a.Revoke(name, "operator", "left"); err != nil {
		t.Fatal(err)
	}
}

// TestMostLost: as many keys as can be lost at once find room in an entry, on a keeper's
// word for the longest reason. For one more no token is made, and none is spent.
func TestMostLost(t *testing.T) {
	a := open(t, filepath.Join(t.TempDir(), "archive.db"))
	admit(t, a, theWren, newKey(15))
	var keys []ed25519.PublicKey
	add := func(n byte) {
		keys = append(keys, newKey(n))
		admit(t, a, theHeron, newKey(n))
	}
	signed := func(secret trust.Secret) archive.JoinToken {
		x := signedToken(a, "wren", secretKey(15), secret, keys...)
		x.Lost = strings.Repeat("ы", trust.MaxWhy/2)
		x.Word = trust.Loss{Trail: a.Origin(), Keeper: "wren", Member: theHeron, Token: secret.Hash(), Keys: x.Keys, Why: x.Lost}.Sign(secretKey(15))
		return x
	}
	for n := range byte(trust.MostLost) {
		add(100 + n)
	}
	most, owners := trust.Secret{50}, trust.Secret{51}
	if err := a.AddToken(most.Hash(), signed(most)); err != nil {
		t.Fatal(err)
	}
	if k, err := a.Join(most.Hash(), theHeron, newKey(3), trust.Chain{}); err != nil || len(k.Lost) != trust.MostLost {
		t.Fatalf("%+v, %v", k, err)
	}
	if _, err := a.Check(t.Context()); err != nil {
		t.Error(err)
	}
	keys = []ed25519.PublicKey{newKey(3)}
	byOwner := signed(owners)
	byOwner.Keys, byOwner.Word = nil, nil
	if err := a.AddToken(owners.Hash(), byOwner); err != nil {
		t.Fatal(err)
	}
	for n := range byte(trust.MostLost) {
		add(200 + n)
	}
	const say = "33 keys beside each other, and 32 can be lost at once"
	if err := a.AddToken(trust.Secret{52}.Hash(), signed(trust.Secret{52})); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("made for one more: %v", err)
	}
	if k, err := a.Join(owners.Hash(), theHeron, newKey(4), trust.Chain{}); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("spent for one more: %+v, %v", k, err)
	}
	if n := len(good(t, a, "heron")); n != len(keys) {
		t.Errorf("heron has %d good keys, and had %d", n, len(keys))
	}
}

// TestTokenOfAnotherSecret: who has the disk cannot put a secret of his own in the place
// of the one whose hash the keeper has signed, which the trail's key would then attest.
func TestTokenOfAnotherSecret(t *testing.T) {
	a := peopled(t)
	signed, own := trust.Secret{50}.Hash(), trust.Secret{51}.Hash()
	if err := a.AddToken(signed, signedToken(a, "wren", secretKey(15), trust.Secret{50}, newKey(1))); err != nil {
		t.Fatal(err)
	}
	err := a.Damage(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("tokens"))
		row := b.Get(signed[:])[sha256.Size:]
		sum := sha256.Sum256(slices.Concat(own[:], []byte{0}, row))
		return errors.Join(b.Put(own[:], slices.Concat(sum[:], row)), b.Delete(signed[:]))
	})
	if err != nil {
		t.Fatal(err)
	}
	const say = "not the token that the keeper has signed for"
	if k, err := a.Join(own, theHeron, newKey(3), trust.Chain{}); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("%+v, %v", k, err)
	}
	if _, err := a.Check(t.Context()); err == nil || !strings.Contains(err.Error(), say) {
		t.Errorf("the check says %v", err)
	}
}

// TestForgedLoss: who has the trail's key cannot make up what a keeper has signed: the
// examination finds it, and no copy takes it.
func TestForgedLoss(t *testing.T) {
	for what, x := range map[string]struct {
		change func(a *archive.Archive, k *archive.KeyChange)
		say    string
	}{
		"as it was signed":       {func(*archive.Archive, *archive.KeyChange) {}, ""},
		"nobody's signature":     {func(_ *archive.Archive, k *archive.KeyChange) { k.Word = nil }, ""}, // as entries of before
		"a forged signature":     {func(_ *archive.Archive, k *archive.KeyChange) { k.Word.Signature[3] ^= 1 }, "has not signed that these keys are lost"},
		"another keeper's name":  {func(_ *archive.Archive, k *archive.KeyChange) { k.By = "ibis" }, "one of keeper ibis"},
		"another token":          {func(_ *archive.Archive, k *archive.KeyChange) { k.Word.Token[3] ^= 1 }, "has not signed"},
		"another reason":         {func(_ *archive.Archive, k *archive.KeyChange) { k.Why = "sold" }, "has not signed"},
		"a revoked keeper":       {func(a *archive.Archive, _ *archive.KeyChange) { revoke(t, a, "wren") }, "one of keeper wren"},
		"a keeper's key before":  {func(a *archive.Archive, _ *archive.KeyChange) { rotate(t, a, theWren, secretKey(15), secretKey(20)) }, "another key of keeper wren came after"},
		"an analyst's key":       {func(a *archive.Archive, k *archive.KeyChange) { *k = forged(a, "swift", secretKey(17), newKey(1)) }, "one of keeper swift"},
		"a key of nobody's":      {func(a *archive.Archive, k *archive.KeyChange) { *k = forged(a, "wren", secretKey(30), newKey(1)) }, "one of keeper wren"},
		"other keys than signed": {func(_ *archive.Archive, k *archive.KeyChange) { k.Lost = sumsOf(newKey(2)) }, "has not signed"},
		"keys that are good": {func(a *archive.Archive, k *archive.KeyChange) {
			admit(t, a, theHeron, newKey(4))
			*k = forged(a, "wren", secretKey(15), newKey(4))
		}, "lost and revoked before"},
		"of another collector": {func(a *archive.Archive, k *archive.KeyChange) {
			k.Word = trust.Loss{Trail: "another.example/trail", Keeper: "wren", Member: theHeron, Token: k.Word.Token, Keys: k.Lost, Why: k.Why}.Sign(secretKey(15))
		}, "has not signed"},
		"for a second loss": {func(a *archive.Archive, k *archive.KeyChange) {
			first := *k
			first.Key = newKey(41)
			if err := a.Admit(first); err != nil {
				t.Fatal(err)
			}
		}, "was lost before, and another stands in its place"},
	} {
		a := peopled(t)
		admit(t, a, theHeron, newKey(2))
		k := forged(a, "wren", secretKey(15), newKey(1))
		revoke(t, a, "heron")
		x.change(a, &k)
		if err := a.Admit(k); err != nil {
			t.Fatal(err)
		}
		_, err := a.Check(t.Context())
		if x.say == "" && err != nil || x.say != "" && (err == nil || !strings.Contains(err.Error(), x.say)) {
			t.Errorf("%s: the check says %v", what, err)
		}
		err = copied(t, a)
		if x.say == "" && err != nil || x.say != "" && (err == nil || !strings.Contains(err.Error(), x.say)) {
			t.Errorf("%s: a copy says %v", what, err)
		}
	}
}

// forged is an admission in the place of heron's keys, as its entry would have it.
func forged(a *archive.Archive, by string, with ed25519.PrivateKey, lost ...ed25519.PublicKey) archive.KeyChange {
	t := signedToken(a, by, with, trust.Secret{60}, lost...)
	return archive.KeyChange{Name: "heron", Role: trust.Rig, By: by, Key: newKey(40), Lost: t.Keys, Why: t.Lost, Word: t.Word}
}
