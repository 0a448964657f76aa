package archive_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestChangesFollow: whatever is asked of an archive, in whatever order, and put back in
// between, the changes of keys that it enters are those that a check and a copy take.
func TestChangesFollow(t *testing.T) {
	took := map[string]int{}
	for seed := range uint64(12) {
		c := chances{t, rand.New(rand.NewPCG(seed, 0)), took}
		path := filepath.Join(t.TempDir(), "archive.db")
		a := open(t, path)
		admit(t, a, theWren, newKey(15))
		for range 60 {
			switch c.IntN(8) {
			case 0, 1:
				c.join(a, "")
			case 2, 3, 4:
				c.join(a, "the disk broke")
			case 5, 6:
				c.rotate(a)
			default:
				a.Close()
				c.putBack(path)
				a = open(t, path)
				_, err := a.Revoke(c.member().Name, "root", "sold")
				c.count("revoked", err)
			}
		}
		if _, err := a.Check(t.Context()); err != nil {
			t.Errorf("%d: %v", seed, err)
		}
		if err := copied(t, a); err != nil {
			t.Errorf("%d: %v", seed, err)
		}
		a.Close()
	}
	for _, what := range []string{"joined", "lost by the entry", "lost by a key", "rotated", "revoked", "put back"} {
		if took[what] == 0 {
			t.Errorf("nothing was %s: %v", what, took)
		}
	}
}

// chances asks an archive for what comes by chance, much of which it refuses.
type chances struct {
	*testing.T
	*rand.Rand
	took map[string]int
}

func (c chances) count(what string, err error) {
	if err == nil {
		c.took[what]++
	}
}

func (c chances) member() trust.Member {
	roles := []trust.Role{trust.Rig, trust.Keeper, trust.Keeper, trust.Rig}
	n := c.IntN(len(roles))
	m := trust.Member{Role: roles[n], Name: []string{"heron", "wren", "ibis", "plover"}[n]}
	if c.IntN(10) == 0 {
		m.Role = trust.Analyst
	}
	return m
}

func (c chances) key() ed25519.PrivateKey { return secretKey(1 + c.Uint64N(40)) }

// join makes a token, by the word of a keeper's key where there is one, and spends it
// at once or not at all.
func (c chances) join(a *archive.Archive, lost string) {
	changes, _, err := a.Roll()
	if err != nil {
		c.Fatal(err)
	}
	m, secret, how := c.member(), trust.Secret{byte(c.Uint32()), byte(c.Uint32()), byte(c.Uint32())}, "joined"
	t := archive.JoinToken{Member: m, By: "root", Expires: time.Now().Add(time.Hour), Lost: lost}
	if lost != "" {
		how = "lost by the entry"
	}
	for _, k := range archive.InForceKeys(changes) {
		if lost == "" || c.IntN(2) == 0 {
			continue
		}
		switch {
		case k.Member() == m && !slices.ContainsFunc(changes, func(o archive.KeyChange) bool { return o.Before.Equal(k.Key) }):
			t.Keys = append(t.Keys, sumsOf(k.Key)...)
		case k.Role == trust.Keeper:
			t.By, t.Word, how = k.Name, &trust.Word{Key: k.Key}, "lost by a key"
		}
	}
	if t.Word != nil {
		t.Word = trust.Loss{Trail: a.Origin(), Keeper: t.By, Member: m, Token: secret.Hash(), Keys: t.Keys, Why: lost}.Sign(secretOf(t.Word.Key))
	} else {
		t.Keys = nil
	}
	if err := a.AddToken(secret.Hash(), t); err != nil || c.IntN(5) == 0 {
		return
	}
	_, err = a.Join(secret.Hash(), m, c.key().Public().(ed25519.PublicKey), trust.Chain{})
	c.count(how, err)
}

func (c chances) rotate(a *archive.Archive) {
	changes, _, err := a.Roll()
	if err != nil || len(changes) == 0 {
		c.Fatal(err)
	}
	k := changes[c.IntN(len(changes))]
	if k.Revoked {
		k.Role = trust.Rig
	}
	key, chain, signature := labtest.Rotated(c, labtest.Authority(c), k.Member(), secretOf(k.Key), c.key())
	_, err = a.Rotate(k.Member(), k.Key, key, signature, chain)
	c.count("rotated", err)
}

// putBack puts a copy of the file aside, or in its place.
func (c chances) putBack(path string) {
	from, to := path, path+".aside"
	if _, err := os.Stat(to); err == nil && c.IntN(2) == 0 {
		from, to = to, from
		c.took["put back"]++
	}
	b, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, b, 0o600)
	}
	if err != nil {
		c.Fatal(err)
	}
}

// secretOf gives the secret of one of the first keys.
func secretOf(key ed25519.PublicKey) ed25519.PrivateKey {
	n := uint64(1)
	for !secretKey(n).Public().(ed25519.PublicKey).Equal(key) {
		n++
	}
	return secretKey(n)
}

// TestCostOfChanges: what it takes to hold one more change of keys against those before
// it does not grow with them, for a check or for a copy.
func TestCostOfChanges(t *testing.T) {
	cost := func(n uint64) (check, copy float64) {
		a := open(t, filepath.Join(t.TempDir(), "archive.db"))
		defer a.Close()
		if err := a.Admit(lineOf(theHeron, n)...); err != nil {
			t.Fatal(err)
		}
		check = allocated(func() {
			if _, err := a.Check(t.Context()); err != nil {
				t.Error(err)
			}
		})
		return check, allocated(func() {
			if err := copied(t, a); err != nil {
				t.Error(err)
			}
		})
	}
	check1, copy1 := cost(250)
	check2, copy2 := cost(500)
	check4, copy4 := cost(1000)
	grows(t, "check", check1, check2, check4)
	grows(t, "copy", copy1, copy2, copy4)
}

// TestCostOfWords: what it takes to prove a run grows with the words that its rig's keys
// are lost and the keys of who gave them, not with their product.
func TestCostOfWords(t *testing.T) {
	cost := func(n uint64) float64 {
		a := open(t, filepath.Join(t.TempDir(), "archive.db"))
		defer a.Close()
		run := keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, Bare: true}))
		keep(t, a, run)
		changes := lineOf(theWren, n)
		had := newKey(200)
		changes = append(changes, archive.KeyChange{Name: "heron", Role: trust.Rig, By: "wren", Key: had})
		for i := range n {
			lost := signedToken(a, "wren", secretKey(n+1), trust.Secret{byte(i)}, had)
			changes = append(changes, archive.KeyChange{Name: "heron", Revoked: true, By: "wren", Why: "lost", Key: had})
			had = secretKey(10_000 + i).Public().(ed25519.PublicKey)
			changes = append(changes, archive.KeyChange{Name: "heron", Role: trust.Rig, By: "wren", Key: had, Lost: lost.Keys, Why: lost.Lost, Word: lost.Word})
		}
		if err := a.Admit(changes...); err != nil {
			t.Fatal(err)
		}
		return allocated(func() {
			if p, err := a.Prove(run.ID, "", nil, nil); err != nil || len(p.Losses) != int(n) {
				t.Errorf("%d words, %v", len(p.Losses), err)
			}
		})
	}
	grows(t, "proof", cost(60), cost(120), cost(240))
}

// lineOf gives n keys of a member that come one after the other behind the first.
func lineOf(m trust.Member, n uint64) []archive.KeyChange {
	changes := []archive.KeyChange{{Name: m.Name, Role: m.Role, By: "wren", Key: secretKey(1).Public().(ed25519.PublicKey)}}
	for i := range n {
		before, next := secretKey(i+1), secretKey(i+2).Public().(ed25519.PublicKey)
		k := archive.KeyChange{Name: m.Name, Role: m.Role, By: m.Name, Key: next, Before: before.Public().(ed25519.PublicKey)}
		k.Signature = trust.Rotation{Member: m, Before: k.Before, After: sha256.Sum256(next)}.Sign(before)
		changes = append(changes, k)
	}
	return changes
}

// grows holds what something costs at one size, at twice and at four times that, to
// growing with it, which gives 2, and some tenths for what is made in powers of two, and
// not with its square, which gives up to 4.
func grows(t *testing.T, what string, once, twice, fourTimes float64) {
	t.Helper()
	if ratio := (fourTimes - twice) / (twice - once); ratio > 3.3 {
		t.Errorf("a %s costs %.1f times as much for the second half as for the quarter before it", what, ratio)
	}
}

func allocated(do func()) float64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	do()
	runtime.ReadMemStats(&after)
	return float64(after.TotalAlloc - before.TotalAlloc)
}
