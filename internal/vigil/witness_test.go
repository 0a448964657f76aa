package vigil_test

import (
	"crypto/ed25519"
	"fmt"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// TestOverdueWitness: a run that the collector has kept waits for its witness, who
// is named when it takes too long; once it has signed, the run goes.
func TestOverdueWitness(t *testing.T) {
	s := newSite(t, "heron")
	key, name := labtest.Key(labtest.Rand(t)), "witness.dome.example/avocet"
	text, err := trail.WitnessKey(name, key.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	d, err := audit.NewDemand([]string{text}, 0, time.Nanosecond)
	if err != nil {
		t.Fatal(err)
	}
	s.plan.Demand = &d
	s.put(2)
	v, stop := s.run()
	defer stop()
	s.until("the witness named", func() bool {
		unsigned, overdue := v.Witnesses()
		return unsigned == 2 && overdue == 1 && strings.Contains(fmt.Sprint(v.Status().Troubles), name+" (has signed none)")
	})
	if n := len(labtest.Kept(t, s.kept.Archive)); n != 2 {
		t.Errorf("%d runs are kept", n)
	}
	s.until("the collector told", func() bool { return s.beat() != nil && strings.Contains(fmt.Sprint(s.beat().Troubles), name) })
	signer, err := trail.NewCosigner(name, key, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	_, head, err := s.kept.Archive.Head()
	if err != nil {
		t.Fatal(err)
	}
	both, err := trail.Cosign(head, labtest.Verifiers(t, s.kept.Archive.VerifierKey()), signer)
	if err == nil {
		err = s.kept.Archive.AddCosigned(text, both)
	}
	if err != nil {
		t.Fatal(err)
	}
	s.until("nothing waits", func() bool {
		unsigned, overdue := v.Witnesses()
		return unsigned == 0 && overdue == 0 && v.Status().Waiting.Runs == 0 && len(v.Status().Troubles) == 0
	})
	if v.Status().Delivered != 2 {
		t.Errorf("%+v", v.Status())
	}
}
