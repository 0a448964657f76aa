package collect_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
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
	s.catchesUp(conn, want)
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

// TestSignedOnce: a head that does not reach the source, here because an analyst may not
// bring it, is signed and written down once, and not each second.
func TestSignedOnce(t *testing.T) {
	s := newCopiedSite(t)
	s.send(1)
	id := labtest.Enrol(t, dialled(t, s.proxy.Address(), s.dir), trust.Member{Role: trust.Analyst, Name: "swift"}, labtest.Key(labtest.Rand(t)))
	f := s.following()
	f.Dial = func(a string) (*collect.Connection, error) {
		return collect.Dial(a, func() []trust.Identity { return []trust.Identity{id} })
	}
	copied := s.served(f)
	insist(t, "sign", func(context.Context) error {
		if len(cosignedBy(t, copied.conn)) != 1 || !copied.log.holds("may not call Cosign") {
			return errors.New("not yet")
		}
		return nil
	})
	first := string(cosignedBy(t, copied.conn)[0].Head)
	time.Sleep(2500 * time.Millisecond) // in which it tries again twice
	if again := string(cosignedBy(t, copied.conn)[0].Head); again != first {
		t.Errorf("it was signed again:\n%s%s", first, again)
	}
}

// TestAnotherCollector: the address of another collector than the one that was copied
// is a slip that leaves copy and alarms as they are.
func TestAnotherCollector(t *testing.T) {
	s, other := newCopiedSite(t), newCopiedSite(t)
	s.send(2)
	other.send(1)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	f := other.following()
	f.Dir, f.Once = s.copyDir, true
	if err := collect.Follow(t.Context(), f); err == nil || errors.Is(err, audit.ErrAlarm) || !strings.Contains(fault.HintOf(err), "--data DIR") {
		t.Errorf("%v", err)
	}
	if alarms, err := os.ReadDir(s.copyDir + "/source/alarms"); len(alarms) > 0 || err != nil {
		t.Errorf("%v, %v", alarms, err)
	}
	s.send(1)
	if err := s.once(); err != nil {
		t.Error(err)
	}
	s.holds(s.copyDir, s.head().Size)
}

// TestNotCopiedIsTold: what keeps a copy from growing and is no alarm is told once, with
// what to do, and tried again; the copy is served meanwhile.
func TestNotCopiedIsTold(t *testing.T) {
	s := newCopiedSite(t)
	s.send(1)
	f := s.following()
	f.Limits = deliver.Limits{Record: 100, Parts: 100, Count: 1}
	copied := s.served(f)
	insist(t, "its word on it", func(context.Context) error {
		if !copied.log.holds("not copied; trying again") || !copied.log.holds("--largest SIZE") {
			return errors.New("it does not say so")
		}
		return nil
	})
	select {
	case err := <-copied.ended:
		t.Errorf("it ended: %v", err)
	case <-time.After(time.Second):
	}
	if h, ok := headAt(t, copied.conn); !ok || h.Size >= s.head().Size {
		t.Errorf("it came to %v, %v", h, ok)
	}
	log := copied.log
	log.Lock()
	defer log.Unlock()
	if n := strings.Count(log.Buffer.String(), "not copied; trying again"); n != 1 {
		t.Errorf("it was told %d times", n)
	}
}
