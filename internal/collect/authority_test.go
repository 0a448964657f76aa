package collect_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestLostAuthority takes the authority's file away: members still join while the
// collector serves, certified by the same; it does not start anew with another one
// while there are members, and does once all are revoked.
func TestLostAuthority(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, stop := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	first := labtest.Token(t, owner, avocet, time.Hour)
	file := filepath.Join(dir, "authority.pem")
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	id := labtest.Enrol(t, owner, avocet, labtest.Key(labtest.Rand(t)))
	if got := trust.FingerprintOf(id.Authority); got != first.Authority {
		t.Errorf("it joined with authority %s, and the collector's is %s", got, first.Authority)
	}
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Errorf("another authority was made while it served: %v", err)
	}
	stop()

	err := collect.Serve(context.Background(), dir, "127.0.0.1:0", labtest.Quiet(), func(string) { t.Error("served") })
	if err == nil || !strings.Contains(err.Error(), "members are certified by it (keys: 1)") || fault.HintOf(err) == "" {
		t.Errorf("a member is of the authority that is lost, and it says: %v", err)
	}
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Errorf("another authority was made: %v", err)
	}

	within, err := collect.Embedded(context.Background(), dir, labtest.Quiet())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := enrol.Revoke(context.Background(), within, dir, avocet.Name, "wren", "the authority is lost"); err != nil {
		t.Fatal(err)
	}
	if err := within.Close(); err != nil {
		t.Fatal(err)
	}
	address, _ = labtest.Serve(t, dir)
	if got := labtest.Token(t, labtest.DialOwner(t, address, dir), avocet, time.Hour); got.Authority == first.Authority {
		t.Error("the authority that was lost is back")
	}
}
