package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// house is an archive that a test can open with other keys, of whose authority
// heron and the keeper wren are members.
type house struct {
	*archive.Archive
	ask       answer.Client
	path      string
	opt       archive.Options
	authority *trust.Authority
	heron     *labtest.Rig
	wren      ed25519.PrivateKey
	send      func(labtest.Run) error
	secrets   byte
}

var asWren = trust.Member{Role: trust.Keeper, Name: "wren"}

func newHouse(t testing.TB) *house {
	t.Helper()
	h := &house{
		path:      filepath.Join(t.TempDir(), "archive.db"),
		opt:       archive.Options{Key: labtest.Key(labtest.Seeded(60)), Origin: "collector.dome.example/trail", Now: time.Now},
		authority: labtest.Authority(t),
		heron:     labtest.NewRig("heron", labtest.Seeded(14)),
		wren:      labtest.Key(labtest.Seeded(15)),
	}
	t.Cleanup(func() { h.Archive.Close() })
	h.open(t)
	h.admit(t, asWren, h.wren)
	h.admit(t, asHeron, h.heron.Key)
	return h
}

func (h *house) open(t testing.TB) {
	t.Helper()
	var err error
	if h.Archive, err = archive.Open(h.path, h.opt); err != nil {
		t.Fatal(err)
	}
	conn := labtest.Connect(t, collect.New(h.Archive, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits))
	h.ask = answer.NewClient(conn)
	h.send = func(run labtest.Run) error {
		_, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts())
		return err
	}
}

func (h *house) admit(t testing.TB, m trust.Member, key ed25519.PrivateKey) {
	t.Helper()
	h.secrets++
	secret, now, pub := trust.Secret{h.secrets}, time.Now().UTC(), key.Public().(ed25519.PublicKey)
	err := h.AddToken(secret.Hash(), archive.JoinToken{Member: m, By: "operator", Made: now, Expires: now.Add(time.Hour)})
	if err == nil {
		_, err = h.Join(secret.Hash(), m, pub, labtest.Certify(t, h.authority, m, pub))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// rotate puts another key in the place of heron's, by that one's signature.
func (h *house) rotate(t testing.TB, next ed25519.PrivateKey) {
	t.Helper()
	key, chain, signature := labtest.Rotated(t, h.authority, asHeron, h.heron.Key, next)
	if _, err := h.Rotate(asHeron, h.heron.Key.Public().(ed25519.PublicKey), key, signature, chain); err != nil {
		t.Fatal(err)
	}
	h.heron.Key = next
}

// replace puts a key in the place of one that a member has lost, as a keeper signs it;
// by the owner's word where that is nil.
func (h *house) replace(t testing.TB, m trust.Member, had, next ed25519.PrivateKey, by string, keeper ed25519.PrivateKey) {
	t.Helper()
	h.secrets++
	secret, now, pub := trust.Secret{h.secrets}, time.Now().UTC(), next.Public().(ed25519.PublicKey)
	token := archive.JoinToken{Member: m, By: by, Made: now, Expires: now.Add(time.Hour), Lost: "the disk broke"}
	if keeper != nil {
		lost := sha256.Sum256(had.Public().(ed25519.PublicKey))
		token.Keys = [][]byte{lost[:]}
		token.Word = trust.Loss{Trail: h.Origin(), Keeper: by, Member: m, Token: secret.Hash(), Keys: token.Keys, Why: token.Lost}.Sign(keeper)
	}
	err := h.AddToken(secret.Hash(), token)
	if err == nil {
		_, err = h.Join(secret.Hash(), m, pub, labtest.Certify(t, h.authority, m, pub))
	}
	if err != nil {
		t.Fatal(err)
	}
}

// lose gives the trail another key on somebody's word; nobody's is the owner's.
func (h *house) lose(t testing.TB, by string, keeper ed25519.PrivateKey, next ed25519.PrivateKey) {
	t.Helper()
	h.Archive.Close()
	h.opt.Key = next
	if _, err := archive.Vouch(h.path, h.opt, archive.Rekeying{Next: next, By: by, Why: "the stick is gone", Keeper: keeper}); err != nil {
		t.Fatal(err)
	}
	h.open(t)
}

func (h *house) run(t testing.TB, shape labtest.Shape) labtest.Run {
	t.Helper()
	run := h.heron.Finish(shape)
	if err := h.send(run); err != nil {
		t.Fatal(err)
	}
	return run
}

func (h *house) dossier(t testing.TB, id string, after []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := h.ask.Dossier(t.Context(), id, after, &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// known are the keys that somebody has from elsewhere: the trail's present one and
// the authority's.
func (h *house) known() dossier.Keys {
	return dossier.Keys{Collectors: []string{h.VerifierKey()}, Rigs: []string{h.authority.Fingerprint().String()}}
}

// sample is a dossier with the keys by which it holds without doubt of a key.
type sample struct {
	name  string
	b     []byte
	known dossier.Keys
	seal  func(t testing.TB, ms []member) []byte // anew, by the key of its trail
}

func (h *house) sample(t testing.TB, name, id string, after []byte) sample {
	t.Helper()
	s := sample{name: name, b: h.dossier(t, id, after), known: h.known()}
	key := h.opt.Key
	s.seal = func(t testing.TB, ms []member) []byte { return sealed(t, dossier.Edition, ms, key) }
	return s
}

// samples are runs of every kind: a plain one, one that is void, one with a span,
// one that was played, and one with everything that a dossier can hold.
func samples(t testing.TB) (all []sample) {
	t.Helper()
	h := newHouse(t)
	plain := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	first := h.sample(t, "plain", plain.ID, nil)
	all = append(all, first)
	wanted := map[string]func(labtest.Run, drift.Standing) bool{
		"void":   func(_ labtest.Run, s drift.Standing) bool { return s == drift.Voided },
		"span":   func(r labtest.Run, _ drift.Standing) bool { return r.Span != nil },
		"played": func(r labtest.Run, _ drift.Standing) bool { return r.Played != "" && len(r.Data) > 2 },
	}
	for range 200 {
		run := h.run(t, labtest.Shape{})
		s := h.sample(t, "", run.ID, nil)
		standing := verified(t, s.b, s.known).Standing
		for _, name := range []string{"void", "span", "played"} {
			if is := wanted[name]; is != nil && is(run, standing) {
				s.name = name
				all, wanted[name] = append(all, s), nil
				break
			}
		}
	}
	if len(all) != 4 {
		t.Fatalf("200 runs gave %d kinds", len(all))
	}
	return append(all, h.everything(t, first.b))
}

// everything is a run of after changes of all keys, held against a mark of before
// them, retracted and not, with a witness, leading on from an older head.
func (h *house) everything(t testing.TB, older []byte) sample {
	t.Helper()
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"}
	marked := h.run(t, shape)
	if _, _, err := h.ask.AcceptMark(t.Context(), marked.ID, "wren", "memory checked"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := h.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(61)), By: "wren", Why: "its year is over"}); err != nil {
		t.Fatal(err)
	}
	h.lose(t, "wren", h.wren, labtest.Key(labtest.Seeded(62)))
	next := labtest.Key(labtest.Seeded(68))
	h.replace(t, asHeron, h.heron.Key, next, "wren", h.wren)
	h.heron.Key = next
	h.rotate(t, labtest.Key(labtest.Seeded(63)))
	run := h.run(t, shape)
	if _, _, err := h.ask.Retract(t.Context(), run.ID, "wren", "a lamp shone on the sensor"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := h.ask.Reinstate(t.Context(), run.ID, "wren", "it was the other rig"); err != nil {
		t.Fatal(err)
	}
	witness := h.witness(t, labtest.Key(labtest.Seeded(16)), time.Now().Add(time.Minute))
	if _, _, err := h.Restored("wren", "the disk died", nil); err != nil {
		t.Fatal(err)
	}
	head, err := dossier.HeadOf(older)
	if err != nil {
		t.Fatal(err)
	}
	s := h.sample(t, "everything", run.ID, head)
	s.known.Witnesses = []string{witness}
	return s
}

// witness has one sign the present head at a time, and gives its verifier key.
func (h *house) witness(t testing.TB, key ed25519.PrivateKey, at time.Time) string {
	t.Helper()
	s, err := trail.NewCosigner("witness.dome.example/avocet", key, at)
	if err != nil {
		t.Fatal(err)
	}
	text := s.(interface{ Key() string }).Key()
	_, signed, err := h.Head()
	if err == nil {
		signed, err = trail.Cosign(signed, labtest.Verifiers(t, h.VerifierKey()), s)
	}
	if err == nil {
		err = h.AddCosigned(text, signed)
	}
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// sealed seals members as who has the trail's key can.
func sealed(t testing.TB, edition int, ms []member, key ed25519.PrivateKey) []byte {
	t.Helper()
	ms = slices.Clone(ms)
	origin := "collector.dome.example/trail"
	if m := find(ms, "trail/key"); m != nil {
		origin, _, _ = strings.Cut(string(m.data), "+")
	}
	signer, err := trail.NewSigner(origin, key)
	if err != nil { // its name was altered, too
		origin = "another"
		signer, err = trail.NewSigner(origin, key)
	}
	if err != nil {
		t.Fatal(err)
	}
	seal := find(ms, "seal")
	var text strings.Builder
	fmt.Fprintf(&text, "%s/dossier\nedition %d\n", origin, edition)
	for _, m := range ms {
		if m.name != "seal" {
			fmt.Fprintf(&text, "%x %d %s\n", record.Signed{Bytes: m.data}.SHA256(), len(m.data), m.name)
		}
	}
	if seal.data, err = note.Sign(&note.Note{Text: text.String()}, signer); err != nil {
		t.Fatal(err)
	}
	if edition == 1 {
		return datedZip(t, 0, ms)
	}
	return zipOf(t, ms)
}

// receipt is trail/receipt.json.
type receipt struct {
	Receipt struct {
		RecordSHA256 []byte
		trail.Receipt
	} `json:"receipt"`
	Consistency []trail.Hash `json:"consistency"`
}

func (r receipt) whole() trail.Receipt {
	r.Receipt.Receipt.RecordSHA256 = trail.Digest(r.Receipt.RecordSHA256)
	return r.Receipt.Receipt
}

// asFirst spells members as files of edition 1 have them: the digest of the receipt is
// a list of numbers.
func asFirst(t testing.TB, ms []member) []member {
	t.Helper()
	ms = slices.Clone(ms)
	m := find(ms, "trail/receipt.json")
	var r receipt
	err := json.Unmarshal(m.data, &r)
	if err == nil {
		m.data, err = json.MarshalIndent(struct {
			Receipt     trail.Receipt `json:"receipt"`
			Consistency []trail.Hash  `json:"consistency"`
		}{r.whole(), r.Consistency}, "", "  ")
	}
	if err != nil {
		t.Fatal(err)
	}
	m.data = append(m.data, '\n')
	return ms
}

// asNow spells members of edition 1 as files have them now.
func asNow(t testing.TB, ms []member) []member {
	t.Helper()
	ms = slices.Clone(ms)
	m := find(ms, "trail/receipt.json")
	var first struct {
		Receipt     trail.Receipt
		Consistency []trail.Hash
	}
	if err := json.Unmarshal(m.data, &first); err != nil {
		t.Fatal(err)
	}
	r := receipt{Consistency: first.Consistency}
	r.Receipt.Receipt, r.Receipt.RecordSHA256 = first.Receipt, first.Receipt.RecordSHA256[:]
	m.data = spelt(t, m.name, r)
	return ms
}

// find gives the member of a name; nil when there is none.
func find(ms []member, name string) *member {
	if i := slices.IndexFunc(ms, func(m member) bool { return m.name == name }); i >= 0 {
		return &ms[i]
	}
	return nil
}

// attached describes other bytes under the name of a run's first file.
func attached(run labtest.Run, data []byte) record.Attachment {
	a := run.Attachments[0]
	return record.Attach(a.Name, a.Kind, data)
}

// signatureOf spells record.sig.
func signatureOf(t testing.TB, run labtest.Run) []byte {
	t.Helper()
	return spelt(t, "record.sig", map[string][]byte{"public_key": run.Signed.PublicKey, "signature": run.Signed.Signature})
}

// spelt spells a JSON member as a dossier does.
func spelt(t testing.TB, name string, v any) []byte {
	t.Helper()
	var to any
	switch name {
	case "trail/entries.json":
		to = &[]dossier.ProvedEntry{}
	case "trail/receipt.json":
		to = &receipt{}
	case "trail/keys.json":
		to = &[]dossier.Succeeded{}
	case "record.sig":
		to = &struct {
			PublicKey []byte `json:"public_key"`
			Signature []byte `json:"signature"`
		}{}
	}
	b, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(b, to)
	}
	if err == nil {
		b, err = json.MarshalIndent(to, "", "  ")
	}
	if err != nil {
		t.Fatal(err)
	}
	return append(b, '\n')
}
