package collect_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
)

// TestFollowerKilledAnywhere: a follower that is killed again and again, from before
// its copy is begun until it is equal, has whole steps only, raises no alarm, and signs
// with one key.
func TestFollowerKilledAnywhere(t *testing.T) {
	s, r := newCopiedSite(t), labtest.Rand(t)
	s.send(60)
	want := s.head()
	kills := 0
	for end := time.Now().Add(2 * time.Minute); kills < 25 && time.Now().Before(end); kills++ {
		c := labtest.Start(t, labtest.Role("copy", s.copyDir, s.proxy.Address(), s.dir))
		time.Sleep(time.Duration(r.Int64N(int64(250 * time.Millisecond))))
		c.Kill()
		if kills%5 == 4 {
			s.send(3)
			want = s.head()
		}
	}
	follower, served := born(t, "copy", s.copyDir, s.proxy.Address(), s.dir)
	conn := dialled(t, served, s.copyDir)
	insist(t, "catch up", func(context.Context) error {
		if got, ok := headAt(t, conn); !ok || got != want {
			return fmt.Errorf("the copy is at %v, the source at %v", got, want)
		}
		return nil
	})
	insist(t, "cosign", func(context.Context) error {
		if n := len(cosignedBy(t, dialled(t, s.proxy.Address(), s.dir))); n != 1 {
			return fmt.Errorf("%d witnesses signed", n)
		}
		return nil
	})
	follower.Kill()
	s.holds(s.copyDir, want.Size)
	seen, err := audit.Open(s.copyDir+"/source", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if open, err := seen.Open(); len(open) > 0 || err != nil {
		t.Errorf("%+v, %v", open, err)
	}
	t.Logf("%d kills, %d entries", kills, want.Size)
}
