package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/pem"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trust"
)

// site is a served collector with heron enrolled.
type site struct {
	dir   string
	owner *collect.Connection
	heron *labtest.Rig
	id    trust.Identity
	rig   *collect.Connection
}

var asHeron = trust.Member{Role: trust.Rig, Name: "heron"}

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{dir: filepath.Join(t.TempDir(), "archive"), heron: labtest.NewRig("heron", labtest.Seeded(12))}
	address, _ := labtest.Serve(t, s.dir)
	s.owner = labtest.DialOwner(t, address, s.dir)
	s.id = labtest.Enrol(t, s.owner, asHeron, s.heron.Key)
	s.rig = labtest.DialAs(t, address, s.id)
	return s
}

func (s *site) send(t *testing.T) labtest.Run {
	t.Helper()
	run := s.heron.Finish(labtest.Shape{Plain: true, LogBytes: 3000})
	if _, err := deliver.Send(t.Context(), s.rig, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	return run
}

func (s *site) dossier(t *testing.T, run labtest.Run) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := answer.NewClient(s.owner).Dossier(t.Context(), run.ID, nil, &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func (s *site) authority(t *testing.T) *trust.Authority {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(s.dir, "authority.pem"))
	if err != nil {
		t.Fatal(err)
	}
	return labtest.ReadAuthority(t, b)
}

// told gives the lines about a member.
func told(r dossier.Report, member string) string {
	var out []string
	for _, l := range r.Lines {
		if l.Member == member {
			out = append(out, l.Holds)
		}
	}
	return strings.Join(out, "\n")
}

const chainPEM = "rig/chain.pem"

// TestChain: the certificate that the key had when the run was kept is in the file,
// and who knows the authority needs no rig's key.
func TestChain(t *testing.T) {
	s := newSite(t)
	run := s.send(t)
	b := s.dossier(t, run)
	if !bytes.Equal(b, s.dossier(t, run)) {
		t.Error("the same run gives other bytes")
	}
	authority := trust.FingerprintOf(s.id.Authority).String()
	r := verified(t, b, dossier.Keys{Rigs: []string{authority}})
	if got := told(r, chainPEM); !strings.Contains(got, "authority "+authority+" binds the key to rig heron") {
		t.Errorf("it says %q", got)
	}
	if got, want := told(r, "trail/entries.json"), "the record's key, "+record.Fingerprint(run.Signed.PublicKey)+", was admitted for rig heron by wren"; !strings.Contains(got, want) {
		t.Errorf("it says %q, and not %q", got, want)
	}
	if d := doubts(r); len(d) != 1 {
		t.Errorf("beside the collector's key there is doubt: %q", d)
	}
	refused(t, "another authority's fingerprint", b, dossier.Keys{Rigs: []string{strings.Repeat("0", 64)}}, "record.sig")
	ms := membersOf(t, b)
	i := slices.IndexFunc(ms, func(m member) bool { return m.name == chainPEM })
	if i < 0 || !bytes.Equal(ms[i].data, (trust.Chain{Leaf: s.id.Leaf, Authority: s.id.Authority}).PEM()) {
		t.Fatalf("member %d is not the rig's certificate and its authority's", i)
	}
	if cover := string(ms[0].data); !strings.Contains(cover, "admitted for the rig by wren with entry 0") || !strings.Contains(cover, "authority "+authority) {
		t.Errorf("the cover does not tell of it:\n%s", cover)
	}
	// Renewed since, the earlier run keeps the certificate that it had.
	next, err := enrol.Renew(t.Context(), s.rig, s.id)
	if err != nil {
		t.Fatal(err)
	}
	later := s.send(t)
	for run, want := range map[*labtest.Run]trust.Identity{&run: s.id, &later: next} {
		ms := membersOf(t, s.dossier(t, *run))
		if i := slices.IndexFunc(ms, func(m member) bool { return m.name == chainPEM }); !bytes.Equal(ms[i].data, (trust.Chain{Leaf: want.Leaf, Authority: want.Authority}).PEM()) {
			t.Errorf("run %s has another certificate", run.ID)
		}
	}
	// What the key was revoked for is told.
	if _, err := enrol.Revoke(t.Context(), s.owner, "", "heron", "wren", "sold"); err != nil {
		t.Fatal(err)
	}
	verified(t, b, dossier.Keys{})
	after := s.dossier(t, run)
	if d := strings.Join(doubts(verified(t, after, dossier.Keys{})), "\n"); !strings.Contains(d, "was revoked by wren: sold") {
		t.Errorf("%s", d)
	}
	if cover := string(membersOf(t, after)[0].data); !strings.Contains(cover, "revoked by wren: sold") {
		t.Errorf("the cover does not tell of it:\n%s", cover)
	}
}

// TestReplacedChain: certificates that are valid and not those of the record's key
// are refused by name, also in a file that somebody with the trail's key sealed.
func TestReplacedChain(t *testing.T) {
	s := newSite(t)
	stranger := labtest.Key(labtest.Seeded(98)).Public().(ed25519.PublicKey)
	own := s.heron.Key.Public().(ed25519.PublicKey)
	b := s.dossier(t, s.send(t))
	later, err := enrol.Renew(t.Context(), s.rig, s.id)
	if err != nil {
		t.Fatal(err)
	}
	authority := s.authority(t)
	was := trust.Chain{Leaf: s.id.Leaf, Authority: s.id.Authority}
	blocks := func(ders ...[]byte) (out []byte) {
		for _, der := range ders {
			out = append(out, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})...)
		}
		return out
	}
	other := labtest.Authority(t)
	for what, chain := range map[string][]byte{
		"another name":                  labtest.Certify(t, authority, trust.Member{Role: trust.Rig, Name: "plover"}, own).PEM(),
		"another role":                  labtest.Certify(t, authority, trust.Member{Role: trust.Keeper, Name: "heron"}, own).PEM(),
		"another key":                   labtest.Certify(t, authority, asHeron, stranger).PEM(),
		"another authority":             labtest.Certify(t, other, asHeron, own).PEM(),
		"one that nobody was given":     labtest.Certify(t, authority, asHeron, own).PEM(),
		"a later one":                   trust.Chain{Leaf: later.Leaf, Authority: later.Authority}.PEM(),
		"swapped":                       blocks(was.Authority.Raw, was.Leaf.Raw),
		"the authority twice":           blocks(was.Authority.Raw, was.Authority.Raw),
		"the leaf alone":                blocks(was.Leaf.Raw),
		"the leaf with another's":       blocks(was.Leaf.Raw, other.Certificate()),
		"with a remark":                 append([]byte("heron's\n"), was.PEM()...),
		"nothing":                       nil,
		"the collector's own authority": blocks(authority.Certificate()),
	} {
		ms := membersOf(t, b)
		ms[slices.IndexFunc(ms, func(m member) bool { return m.name == chainPEM })].data = chain
		refused(t, what, zipOf(t, ms), dossier.Keys{}, chainPEM)
		refused(t, what+", sealed anew", s.sealed(t, ms), dossier.Keys{}, chainPEM)
	}
	ms := membersOf(t, b)
	ms = slices.DeleteFunc(ms, func(m member) bool { return m.name == chainPEM })
	refused(t, "left out", zipOf(t, ms), dossier.Keys{}, chainPEM)
	refused(t, "left out, sealed anew", s.sealed(t, ms), dossier.Keys{}, chainPEM)
}

// sealed seals members as the collector would: by the key of its trail.
func (s *site) sealed(t *testing.T, ms []member) []byte {
	t.Helper()
	key, err := collect.LoadKey(filepath.Join(s.dir, "trail.key"), false)
	if err != nil {
		t.Fatal(err)
	}
	return sealed(t, dossier.Edition, ms, key)
}

// TestSealedAnewHolds: what sealed makes is what the collector makes.
func TestSealedAnewHolds(t *testing.T) {
	s := newSite(t)
	b := s.dossier(t, s.send(t))
	if !bytes.Equal(s.sealed(t, membersOf(t, b)), b) {
		t.Error("the test's seal is not the one that is made")
	}
}

// TestCertificateEnded: that a run came after its key's certificate had ended is
// told, and proves nothing wrong.
func TestCertificateEnded(t *testing.T) {
	k := keep(t)
	b, err := trust.NewAuthority(time.Now().Add(-2 * trust.Life))
	if err != nil {
		t.Fatal(err)
	}
	a := labtest.ReadAuthority(t, b)
	key := k.heron.Key.Public().(ed25519.PublicKey)
	der, err := a.Issue(asHeron, key, time.Now().Add(-2*trust.Life))
	if err != nil {
		t.Fatal(err)
	}
	chain, err := trust.NewChain(der, a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	k.admit(t, chain)
	k.run = k.send(t)
	if d := strings.Join(doubts(verified(t, k.dossier(t), k.keys())), "\n"); !strings.Contains(d, "it was not valid when the collector kept the run") {
		t.Errorf("%q", d)
	}
}

// admit has heron's key join with a certificate.
func (k *kept) admit(t *testing.T, c trust.Chain) {
	t.Helper()
	secret := trust.Secret{1}
	err := k.Archive.AddToken(secret.Hash(), archive.JoinToken{Member: asHeron, By: "wren", Made: time.Now().UTC(), Expires: time.Now().UTC().Add(time.Hour)})
	if err == nil {
		_, err = k.Archive.Join(secret.Hash(), asHeron, k.heron.Key.Public().(ed25519.PublicKey), c)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestRotatedKey: a file from before a rotation goes on verifying; one of after it,
// of an earlier and of a later run, tells that the key before has signed.
func TestRotatedKey(t *testing.T) {
	s := newSite(t)
	early := s.send(t)
	before := s.dossier(t, early)
	next, err := enrol.Rotate(t.Context(), s.rig, s.id, labtest.Key(labtest.Seeded(31)))
	if err != nil {
		t.Fatal(err)
	}
	first := record.Fingerprint(s.heron.Key.Public().(ed25519.PublicKey))
	s.heron.Key, s.rig = next.Key, labtest.DialAs(t, s.owner.Where, next)
	second := record.Fingerprint(next.Key.Public().(ed25519.PublicKey))
	late := s.send(t)
	authority := dossier.Keys{Rigs: []string{trust.FingerprintOf(s.id.Authority).String()}}
	if r := verified(t, before, authority); strings.Contains(told(r, "trail/entries.json"), second) {
		t.Error("a file of before the rotation tells of it")
	}
	for run, own := range map[*labtest.Run]string{&early: first, &late: second} {
		b := s.dossier(t, *run)
		r := verified(t, b, authority)
		got := told(r, "trail/entries.json")
		for _, key := range []string{first, second} {
			which := "a key, " + key
			if key == own {
				which = "the record's key, " + key
			}
			if !strings.Contains(got, which+", was admitted for rig heron by ") {
				t.Errorf("it does not tell of %s:\n%s", which, got)
			}
		}
		if !strings.Contains(got, "by the signature of key "+first) {
			t.Errorf("it does not tell of the signature:\n%s", got)
		}
		if d := doubts(r); len(d) != 1 || len(r.Lines) == 0 {
			t.Errorf("beside the collector's key there is doubt: %q", d)
		}
		cover := string(membersOf(t, b)[0].data)
		if !strings.Contains(cover, "for the rig by the signature of key "+first) {
			t.Errorf("the cover does not tell of it:\n%s", cover)
		}
	}
}
