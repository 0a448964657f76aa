package dossier_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"strings"
	"testing"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// TestLineage: a signature proves that somebody had a key. That the rig had it, and
// had no later one yet, the entries before have to say.
func TestLineage(t *testing.T) {
	key := func(n uint64) ed25519.PrivateKey { return labtest.Key(labtest.Seeded(n)) }
	sum := func(n uint64) [32]byte { return sha256.Sum256(key(n).Public().(ed25519.PublicKey)) }
	entry := func(kind trail.Kind, n uint64, text string) trail.Entry {
		return trail.Entry{Kind: kind, Subject: "heron", Actor: "wren", Digest: sum(n), Text: text}
	}
	admitted := func(n uint64) trail.Entry { return entry(trail.KindKey, n, trust.Admission{Role: trust.Rig}.Text()) }
	revoked := func(n uint64) trail.Entry { return entry(trail.KindRevocation, n, "lost") }
	after := func(before, n uint64) trail.Entry {
		return entry(trail.KindKey, n, trust.Admission{Role: trust.Rig, Before: key(before).Public().(ed25519.PublicKey), Signature: make([]byte, 64)}.Text())
	}
	inPlace := func(n uint64, lost ...uint64) trail.Entry {
		a := trust.Admission{Role: trust.Rig, Why: "the disk broke"}
		for _, l := range lost {
			s := sum(l)
			a.Lost = append(a.Lost, s[:])
		}
		return entry(trail.KindKey, n, a.Text())
	}
	for what, c := range map[string]struct {
		of   []trail.Entry
		says string // "" holds
	}{
		"one after another":             {[]trail.Entry{admitted(1), after(1, 2)}, ""},
		"a third":                       {[]trail.Entry{admitted(1), after(1, 2), after(2, 3)}, ""},
		"revoked since":                 {[]trail.Entry{admitted(1), after(1, 2), revoked(1)}, ""},
		"after a key of nobody":         {[]trail.Entry{admitted(1), after(9, 2)}, "was not admitted for rig heron before"},
		"after a key of later":          {[]trail.Entry{after(1, 2)}, "was not admitted for rig heron before"},
		"after a key that has another":  {[]trail.Entry{admitted(1), after(1, 2), after(1, 3)}, "had signed for another before"},
		"after a revoked key":           {[]trail.Entry{admitted(1), revoked(1), after(1, 2)}, "was revoked before"},
		"in place of a lost one":        {[]trail.Entry{admitted(1), revoked(1), inPlace(2, 1)}, ""},
		"in place of two":               {[]trail.Entry{admitted(1), admitted(2), revoked(1), revoked(2), inPlace(3, 1, 2)}, ""},
		"in place of one of nobody":     {[]trail.Entry{admitted(1), revoked(1), inPlace(2, 9)}, "was not one of rig heron and revoked before"},
		"in place of a good one":        {[]trail.Entry{admitted(1), inPlace(2, 1)}, "was not one of rig heron and revoked before"},
		"in place of a good one of two": {[]trail.Entry{admitted(1), admitted(2), revoked(1), inPlace(3, 1, 2)}, "was not one of rig heron and revoked before"},
	} {
		err := dossier.LeadsTo(c.of...)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v, and not %q", what, err, c.says)
		}
	}
}
