package vigil_test

import (
	"context"
	"crypto/ed25519"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/labtest"
)

// What the agent makes of logs is signed by the key of the plan in force.
func TestGoesOverToTheNextKey(t *testing.T) {
	s, logs := newSite(t, "heron"), t.TempDir()
	text := "collector = '" + address + "'\nrig = 'heron'\n[[folder]]\npath = '" + logs + "'\nworkload = 'orrery'\nquiet = '1s'\n"
	s.plan = s.parse(text)
	v, _ := s.run()
	signed := func(n int) (by []ed25519.PublicKey) {
		s.until("the runs", func() bool {
			by = nil
			ask := answer.NewClient(s.kept)
			err := ask.Runs(context.Background(), answer.Query{}, func(r answer.Summary) error {
				d, err := ask.Show(context.Background(), r.ID)
				by = append(by, d.Signed.PublicKey)
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return len(by) == n
		})
		return by
	}
	land := func(name, text string) {
		if err := os.WriteFile(filepath.Join(logs, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	land("one.csv", "frame_ms\n750\n850\n")
	first := signed(1)[0]
	next := s.parse(text)
	next.Key = labtest.Key(labtest.Rand(t))
	if later, err := v.Reload(t.Context(), next); err != nil || len(later) > 0 {
		t.Fatalf("%q, %v", later, err)
	}
	land("two.csv", "frame_ms\n950\n850\n")
	both := signed(2)
	s.until("both to be counted", func() bool { return v.Status().Taken == 2 })
	is := func(k ed25519.PrivateKey) func(ed25519.PublicKey) bool {
		return func(p ed25519.PublicKey) bool { return p.Equal(k.Public()) }
	}
	if !is(s.rig.Key)(first) || !slices.ContainsFunc(both, is(s.rig.Key)) || !slices.ContainsFunc(both, is(next.Key)) {
		t.Errorf("they are signed by %x", both)
	}
}
