package dossier_test

import (
	"crypto/ed25519"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trust"
)

// TestAnotherAuthority: where the collector has another authority its members join
// again, with the keys that they have. Files of runs of before and after hold, and
// tell of it.
func TestAnotherAuthority(t *testing.T) {
	h := newHouse(t)
	shape := labtest.Shape{Plain: true, LogBytes: 3000, Bare: true}
	was, early := h.known(), h.run(t, shape)
	first := h.authority.Fingerprint()
	h.authority = labtest.Authority(t)
	h.admit(t, asHeron, h.heron.Key)
	late := h.run(t, shape)
	if d := doubts(verified(t, h.dossier(t, early.ID, nil), was)); len(d) > 0 {
		t.Errorf("of before: %q", d)
	}
	refused(t, "by the authority of before", h.dossier(t, late.ID, nil), was, "record.sig")
	want := "rig/chain.pem: the key was admitted under another authority, " + first.String()
	if d := doubts(verified(t, h.dossier(t, late.ID, nil), h.known())); len(d) != 1 || !strings.HasPrefix(d[0], want) {
		t.Errorf("of after: %q", d)
	}
}

// TestKeysOfManyKinds: whatever lawful way a rig's keys went, files of its runs of all
// times hold.
func TestKeysOfManyKinds(t *testing.T) {
	h := newHouse(t)
	var runs []labtest.Run
	send := func() {
		runs = append(runs, h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Setup: "memory-rated"}))
	}
	join := func(seed byte, lost string) {
		t.Helper()
		h.heron.Key = labtest.Key(labtest.Seeded(uint64(seed)))
		pub, now := h.heron.Key.Public().(ed25519.PublicKey), time.Now().UTC()
		secret := trust.Secret{seed}
		err := h.AddToken(secret.Hash(), archive.JoinToken{Member: asHeron, By: "wren", Made: now, Expires: now.Add(time.Hour), Lost: lost})
		if err == nil {
			_, err = h.Join(secret.Hash(), asHeron, pub, labtest.Certify(t, h.authority, asHeron, pub))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	send()
	if _, _, err := h.ask.AcceptMark(t.Context(), runs[0].ID, "wren", strings.Repeat("память ", 150)); err != nil {
		t.Fatal(err)
	}
	h.rotate(t, labtest.Key(labtest.Seeded(70)))
	send()
	h.rotate(t, labtest.Key(labtest.Seeded(71)))
	send()
	join(72, strings.Repeat("ы", trust.MaxWhy/2))
	send()
	if _, err := h.Revoke("heron", "wren", "verkauft \u2013 für immer"); err != nil {
		t.Fatal(err)
	}
	join(73, "")
	join(74, "") // beside the other
	send()
	join(75, "both of them")
	send()
	for i, run := range runs {
		b := h.dossier(t, run.ID, nil)
		r := verified(t, b, h.known())
		for _, l := range r.Lines {
			if strings.Contains(l.Holds, "does not show") || strings.Contains(l.Holds, "without one") {
				t.Errorf("run %d: %s", i, l.Holds)
			}
		}
		if d := strings.Join(doubts(r), "\n"); strings.Count(d, " was admitted for rig heron ") != 2 || strings.Count(d, "in place of") != 2 {
			t.Errorf("run %d: what stands in the place of lost keys is not told as that: %s", i, d)
		}
	}
}

// TestStoryOfManyTurns: a run that was often retracted and taken back, through restores,
// with two witnesses.
func TestStoryOfManyTurns(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	known := h.known()
	why := strings.Repeat("μ", 2000) // 4,000 bytes
	for i := range 7 {
		var err error
		if i%2 == 0 {
			_, _, err = h.ask.Retract(t.Context(), run.ID, "wren", why)
		} else {
			_, _, err = h.ask.Reinstate(t.Context(), run.ID, "wren", why)
		}
		if err == nil && i%3 == 0 {
			_, _, err = h.Restored("wren", why, nil)
		}
		if err != nil {
			t.Fatal(err)
		}
		known.Witnesses = nil
		for w := range uint64(2) {
			known.Witnesses = append(known.Witnesses, h.witness(t, labtest.Key(labtest.Seeded(80+w)), time.Now().Add(time.Minute)))
		}
		r := verified(t, h.dossier(t, run.ID, nil), known)
		if told := strings.Join(doubts(r), "\n"); strings.Count(told, why) != i+1+i/3+1 {
			t.Errorf("turn %d: not all is told", i)
		}
	}
}

// TestManyFiles: a run with as many files as any, of long names in other scripts.
func TestManyFiles(t *testing.T) {
	h := newHouse(t)
	run := h.heron.Finish(labtest.Shape{Plain: true, LogBytes: 3000, Bare: true})
	for i := range deliver.DefaultLimits.Count - 1 {
		data := fmt.Appendf(nil, "file %d", i)
		name := fmt.Sprintf("%s-%03d.txt", strings.Repeat("ж", 50), i)
		run.Attachments = append(run.Attachments, record.Attach(name, run.Attachments[0].Kind, data))
		run.Data = append(run.Data, data)
	}
	run = h.heron.Sign(run.Run, run.Data)
	if err := h.send(run); err != nil {
		t.Fatal(err)
	}
	b := h.dossier(t, run.ID, nil)
	verified(t, b, h.known())
	if ms := membersOf(t, b); !slices.ContainsFunc(ms, func(m member) bool { return string(m.data) == fmt.Sprintf("file %d", deliver.DefaultLimits.Count-2) }) {
		t.Error("the last is not in it")
	}
}

// TestNoCertificate: that a key was admitted and no certificate of it was kept is told.
func TestNoCertificate(t *testing.T) {
	k := keep(t)
	k.admit(t, trust.Chain{})
	k.run = k.send(t)
	if d := doubts(verified(t, k.dossier(t), k.keys())); len(d) != 1 || !strings.Contains(d[0], "no certificate of the key was kept") {
		t.Errorf("%q", d)
	}
}

// TestPlayedIsTold: a run that nobody measured is told from one that was.
func TestPlayedIsTold(t *testing.T) {
	h := newHouse(t)
	for seen := map[bool]bool{}; len(seen) < 2; {
		run := h.run(t, labtest.Shape{})
		told := dossier.Line{Member: "record", Holds: "the run was played: " + run.Played, Doubt: true}
		says := slices.Contains(verified(t, h.dossier(t, run.ID, nil), h.known()).Lines, told)
		if played := run.Played != ""; says != played {
			t.Fatalf("played %q, and told: %v", run.Played, says)
		}
		seen[says] = true
	}
}
