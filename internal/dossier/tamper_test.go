package dossier_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// blamed are the members by which a change of one is refused: it, and those that
// have to belong to it.
func blamed(name string) []string {
	switch name {
	case "record": // whether it or its signature was altered nobody can tell
		return []string{name, "record.sig"}
	case "mark/record":
		return []string{name, "mark/record.sig"}
	case "trail/key":
		return []string{name, "trail/keys.json", "seal"}
	}
	return []string{name}
}

// TestTampering: every member of every kind of dossier is altered, removed, doubled,
// renamed, swapped and moved, in the file as it is and in one that is sealed anew
// with the trail's own key. Each is refused by name.
func TestTampering(t *testing.T) {
	r := labtest.Rand(t)
	total := 0
	for _, s := range samples(t) {
		ms := membersOf(t, s.b)
		if !bytes.Equal(s.seal(t, ms), s.b) || !bytes.Equal(zipOf(t, ms), s.b) {
			t.Fatalf("%s: the test's seal or container is not the one that is made", s.name)
		}
		verified(t, s.b, s.known)
		n := tamper{t, s, ms, r, 0}
		for i := range ms {
			n.altered(i)
			n.placed(i)
		}
		n.swapped()
		total += n.tried
	}
	t.Logf("%d changes, all refused", total)
}

type tamper struct {
	*testing.T
	sample
	ms    []member
	r     *rand.Rand
	tried int
}

// both tries members as they are, and sealed anew.
func (n *tamper) both(what string, ms []member, names, anew []string) {
	n.Helper()
	n.tried++
	refused(n.T, n.name+": "+what, zipOf(n, ms), n.known, names...)
	if anew != nil && find(ms, "seal") != nil {
		n.tried++
		refused(n.T, n.name+": "+what+", sealed anew", n.seal(n, ms), n.known, anew...)
	}
}

func (n *tamper) altered(i int) {
	m := n.ms[i]
	names := []string{m.name}
	anew := blamed(m.name)
	switch m.name {
	case "seal":
		anew = nil // that mends it
	case "trail/key", "trail/keys.json":
		names = blamed("trail/key") // by which the seal is opened
	}
	with := func(data []byte) []member {
		ms := slices.Clone(n.ms)
		ms[i].data = data
		return ms
	}
	if m.name == "trail/key" {
		origin, _, _ := strings.Cut(string(m.data), "+")
		other, err := trail.VerifierKey(origin, labtest.Key(n.r).Public().(ed25519.PublicKey))
		if err != nil {
			n.Fatal(err)
		}
		n.both("another "+m.name, with([]byte(other+"\n")), []string{m.name}, []string{m.name})
	}
	for range 25 {
		data := bytes.Clone(m.data)
		data[n.r.IntN(len(data))] ^= byte(1 + n.r.IntN(255))
		n.both("altered "+m.name, with(data), names, anew)
	}
	n.both("cut "+m.name, with(m.data[:n.r.IntN(len(m.data))]), names, anew)
	n.both("longer "+m.name, with(append(bytes.Clone(m.data), '\n')), names, anew)
	n.both("emptied "+m.name, with(nil), names, anew)
}

// placed takes a member away, renames it, doubles it and puts it elsewhere.
func (n *tamper) placed(i int) {
	m := n.ms[i]
	without := slices.Delete(slices.Clone(n.ms), i, i+1)
	names := []string{m.name}
	next := n.ms[min(i+1, len(n.ms)-1)].name
	anew := append(blamed(m.name), "trail/entries.json")
	switch m.name {
	case "rig/chain.pem": // by which alone the rig's key is known
		anew = append(anew, "record.sig")
	case "trail/cosigned.json": // of which the page tells
		anew = append(anew, "cover.txt")
	case "trail/after.json": // nothing else tells of it; who needs it demands it
		anew = nil
	case "trail/keys.json": // without it the file has one key, which signed less
		names, anew = []string{m.name, "seal"}, []string{"trail/head", "trail/receipt.json", "trail/entries.json", m.name}
	}
	n.both("removed "+m.name, without, names, anew)
	renamed := slices.Clone(n.ms)
	renamed[i].name += "~"
	if m.name != "seal" {
		n.both("renamed "+m.name, renamed, names, append(anew, m.name+"~", next))
	}
	n.both("doubled "+m.name, slices.Insert(slices.Clone(n.ms), i, m), []string{m.name, next}, []string{m.name, next})
	at := (i + 1 + n.r.IntN(len(n.ms)-1)) % len(n.ms)
	moved := slices.Insert(slices.Clone(without), at, m)
	names = []string{n.ms[min(i, at)].name, moved[min(i, at)].name, moved[len(moved)-1].name}
	n.both("moved "+m.name, moved, names, names)
}

// swapped gives each two members each other's content.
func (n *tamper) swapped() {
	for i := range n.ms {
		for j := range i {
			ms := slices.Clone(n.ms)
			ms[i].data, ms[j].data = ms[j].data, ms[i].data
			names := slices.Concat(blamed(ms[i].name), blamed(ms[j].name))
			anew := names
			if ms[i].name == "seal" {
				anew = nil
			}
			n.both("swapped "+ms[i].name+" and "+ms[j].name, ms, names, anew)
		}
	}
}

// TestReplaced: what is valid and of another place is refused where it is put:
// heads, proofs, receipts, signatures, logs, whole records.
func TestReplaced(t *testing.T) {
	h := newHouse(t)
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"}
	one, two := h.run(t, shape), h.run(t, shape)
	s := h.sample(t, "of one run", one.ID, nil)
	other := membersOf(t, h.dossier(t, two.ID, nil))
	h.run(t, shape)
	later := membersOf(t, h.dossier(t, one.ID, nil))
	ms := membersOf(t, s.b)
	for i, m := range ms {
		if m.name == "seal" || m.name == "cover.txt" {
			continue
		}
		for whose, from := range map[string][]member{"the other run's": other, "the later": later} {
			with := find(from, m.name)
			if i < len(from) && strings.HasPrefix(m.name, "files/") {
				with = &from[i]
			}
			if with == nil || bytes.Equal(with.data, m.data) {
				continue
			}
			changed := slices.Clone(ms)
			changed[i].data = with.data
			names := append(blamed(m.name), "trail/receipt.json", "trail/entries.json") // the proofs that do not lead to a head
			if m.name == "record" {                                                     // which names other files
				names = append(names, from[slices.IndexFunc(from, func(m member) bool { return strings.HasPrefix(m.name, "files/") })].name)
			}
			refused(t, whose+" "+m.name, zipOf(t, changed), s.known, m.name)
			refused(t, whose+" "+m.name+", sealed anew", s.seal(t, changed), s.known, names...)
		}
	}
	proofs(t, s, ms)
	// Another log with its hash in the record, which nobody but the rig can sign.
	forged := *one.Run
	data := slices.Clone(one.Data)
	data[0] = two.Data[0]
	forged.Attachments = slices.Clone(one.Attachments)
	forged.Attachments[0] = attached(one, data[0])
	stranger := labtest.NewRig("heron", labtest.Seeded(90))
	run := stranger.Sign(&forged, data)
	s.known.Rigs = []string{record.Fingerprint(one.Signed.PublicKey)}
	for what, sig := range map[string][]byte{
		"the rig's signature of before": find(ms, "record.sig").data,
		"a stranger's":                  signatureOf(t, run),
	} {
		changed := slices.Clone(ms)
		find(changed, "record").data, find(changed, "record.sig").data = run.Signed.Bytes, sig
		for i := range changed {
			if strings.HasPrefix(changed[i].name, "files/1-") {
				changed[i].data = data[0]
			}
		}
		refused(t, "another log under "+what, s.seal(t, changed), s.known, "record.sig")
		names := []string{"record.sig"}
		if what == "a stranger's" {
			names = []string{"trail/receipt.json"} // nobody knows the rig's key
		}
		refused(t, "another log under "+what+", no key known", s.seal(t, changed), dossier.Keys{}, names...)
	}
}

// proofs puts each proof in the place of each other, and other places and sizes
// into the receipt.
func proofs(t *testing.T, s sample, ms []member) {
	t.Helper()
	change := func(name string, f func(v any) any) {
		t.Helper()
		changed := slices.Clone(ms)
		m := find(changed, name)
		var v any
		d := json.NewDecoder(bytes.NewReader(m.data))
		d.UseNumber()
		if err := d.Decode(&v); err != nil {
			t.Fatal(err)
		}
		before := bytes.Clone(m.data)
		m.data = spelt(t, name, f(v))
		if bytes.Equal(m.data, before) {
			t.Errorf("%s was not changed", name)
		}
		refused(t, "a proof of "+name, s.seal(t, changed), s.known, name)
	}
	entries := func(v any) []any { return v.([]any) }
	change("trail/entries.json", func(v any) any {
		one, last := entries(v)[0].(map[string]any), entries(v)[len(entries(v))-1].(map[string]any)
		one["proof"], last["proof"] = last["proof"], one["proof"]
		return v
	})
	change("trail/entries.json", func(v any) any { slices.Reverse(entries(v)); return v })
	change("trail/entries.json", func(v any) any { return append(entries(v), entries(v)[len(entries(v))-1]) })
	change("trail/entries.json", func(v any) any {
		one := entries(v)[0].(map[string]any)
		one["proof"] = append(one["proof"].([]any), one["proof"].([]any)[0])
		return v
	})
	for _, member := range []string{"Index", "Size"} {
		change("trail/receipt.json", func(v any) any {
			v.(map[string]any)["receipt"].(map[string]any)[member] = json.Number("1")
			return v
		})
	}
	change("trail/receipt.json", func(v any) any {
		m := v.(map[string]any)
		m["consistency"], m["receipt"].(map[string]any)["Proof"] = m["receipt"].(map[string]any)["Proof"], m["consistency"]
		return v
	})
}
