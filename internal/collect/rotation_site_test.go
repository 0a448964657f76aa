package collect_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// siteOf serves two collectors whose members the same authority of the site certifies.
func siteOf(t *testing.T) (owners []*collect.Connection, stops []func()) {
	t.Helper()
	pem, err := trust.NewAuthority(time.Now())
	file := filepath.Join(t.TempDir(), "site.pem")
	if err = errors.Join(err, os.WriteFile(file, pem, 0o600)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		dir := filepath.Join(t.TempDir(), "archive")
		address, stop := labtest.Serve(t, dir, collect.WithAuthority(file))
		owners, stops = append(owners, labtest.DialOwner(t, address, dir)), append(stops, stop)
	}
	return owners, stops
}

// underEarlierNames gives a folder's certificates names of before: by authority and key,
// and by authority alone.
func underEarlierNames(t *testing.T, dir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(collect.Certificates(dir), "*.pem"))
	if err != nil || len(files) != 2 {
		t.Fatal(files, err)
	}
	for i, name := range files {
		dir, file := filepath.Split(name)
		parts := strings.Split(file, "-")
		if err := os.Rename(name, dir+strings.Join(parts[:2-i], "-")+".pem"); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRotationUnderOneAuthority: each collector that a rig has joined is asked for its
// next key, also where one authority certifies the members of both.
func TestRotationUnderOneAuthority(t *testing.T) {
	owners, stops := siteOf(t)
	one, two := owners[0].Where, owners[1].Where
	s := joined(t, owners...)
	before := s.key()
	underEarlierNames(t, s.dir)
	ids, err := collect.RotateKey(t.Context(), s.dir)
	if err != nil || len(ids) != 2 {
		t.Fatalf("%d collectors have admitted the next key, %v", len(ids), err)
	}
	if _, replies := s.deliver(one, two); s.key().Equal(before) || moved(replies[0]) || moved(replies[1]) {
		t.Error("the key is the one before, or looks like another machine's")
	}
	// While one is away both go on, each by the key that it has admitted.
	stops[1]()
	if _, err := collect.RotateKey(t.Context(), s.dir); !errors.Is(err, enrol.ErrUnreachable) || !collect.NextKey(s.dir) {
		t.Fatal(err)
	}
	if ids, err := collect.Present(s.dir); err != nil || len(ids) != 2 || ids[0].Key.Equal(ids[1].Key) {
		t.Errorf("%d, %v", len(ids), err)
	}
	s.deliver(one)
}

// TestRotationWithAllAway: it says of each collector why it waits, in one line.
func TestRotationWithAllAway(t *testing.T) {
	owners, stops := siteOf(t)
	s := joined(t, owners...)
	for _, stop := range stops {
		stop()
	}
	_, err := collect.RotateKey(t.Context(), s.dir)
	if err == nil || strings.Contains(err.Error(), "\n") || strings.Count(err.Error(), "could not be reached") != 2 {
		t.Errorf("%v", err)
	}
}

// TestWhoWhileTheKeyChanges: whoever looks at any moment of a change of key sees a member
// of both collectors.
func TestWhoWhileTheKeyChanges(t *testing.T) {
	owners, _ := siteOf(t)
	s := joined(t, owners...)
	ctx, stop := context.WithCancel(t.Context())
	var looking sync.WaitGroup
	looking.Go(func() {
		for ctx.Err() == nil {
			if ids, err := collect.Present(s.dir); err != nil || len(ids) != 2 {
				t.Errorf("it is a member of %d collectors, %v", len(ids), err)
				return
			}
		}
	})
	for range 12 {
		if _, err := collect.RotateKey(t.Context(), s.dir); err != nil {
			t.Error(err)
		}
	}
	stop()
	looking.Wait()
}
