package collect_test

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestRotationUnderLoad changes a rig's key over and over, and the trail's too, while
// the rig delivers over a connection that lasts and its certificates are renewed all the
// time: every run is kept, none looks like another machine's, and all holds at the end.
func TestRotationUnderLoad(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	s := joined(t, owner)
	lasting, err := collect.DialLasting(address, s.dir)
	if err != nil {
		t.Fatal(err)
	}
	defer lasting.Close()
	ctx, stop := context.WithCancel(t.Context())
	var all sync.WaitGroup
	all.Go(func() {
		enrol.Keep(ctx, enrol.Keeping{
			Dir: collect.Certificates(s.dir), Who: func() ([]trust.Identity, error) { return collect.Present(s.dir) },
			Now: func() time.Time { return time.Now().Add(80 * 24 * time.Hour) }, Log: labtest.Quiet(), Every: 20 * time.Millisecond,
			Connect: func(string) (grpc.ClientConnInterface, func(), error) { return lasting, func() {}, nil },
		})
	})
	var kept atomic.Int64
	rig := labtest.NewRig("heron", labtest.Rand(t))
	all.Go(func() {
		for ctx.Err() == nil {
			key, err := collect.LoadKey(filepath.Join(s.dir, "key.pem"), false)
			if err != nil {
				t.Error(err)
				return
			}
			rig.Key = key
			run := rig.Finish(labtest.Shape{Plain: true, LogBytes: 600})
			reply, err := deliver.Send(context.Background(), lasting, run.Signed, run.Parts())
			if err != nil || moved(reply) {
				t.Errorf("%v, %+v", err, reply.Judgement.Flags)
				return
			}
			kept.Add(1)
		}
	})
	for range 8 {
		before := kept.Load()
		if _, err := collect.RotateKey(t.Context(), s.dir); err != nil {
			t.Fatal(err)
		}
		if _, _, err := answer.NewClient(owner).Rekey(t.Context(), "operator", "over and over"); err != nil {
			t.Fatal(err)
		}
		insist(t, "deliver with it", func(context.Context) error {
			if kept.Load() < before+2 && !t.Failed() {
				return context.DeadlineExceeded
			}
			return nil
		})
	}
	stop()
	all.Wait()
	n, err := answer.NewClient(owner).Check(t.Context(), func(where, what string) { t.Error(where, what) }, nil)
	if err != nil || int64(n.Runs) != kept.Load() || len(n.Keys) != 9 {
		t.Errorf("%d runs are kept of %d, under %d keys; %v", n.Runs, kept.Load(), len(n.Keys), err)
	}
	roll, err := enrol.Members(t.Context(), owner, address)
	if err != nil || len(roll.Members) != 1 || len(roll.Members[0].Keys) != 9 {
		t.Errorf("%+v, %v", roll, err)
	}
	t.Logf("%d runs, %d entries", n.Runs, n.Entries)
}

// TestNextKeyOfALostOne: a key that was to come after one that is lost is forgotten
// with it, so that the key which is made instead can be changed.
func TestNextKeyOfALostOne(t *testing.T) {
	first, second := filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "archive")
	one, _ := labtest.Serve(t, first)
	two, stop := labtest.Serve(t, second)
	owner := labtest.DialOwner(t, one, first)
	s := joined(t, owner, labtest.DialOwner(t, two, second))
	stop()
	if _, err := collect.RotateKey(t.Context(), s.dir); err == nil || !collect.NextKey(s.dir) {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(s.dir, "key.pem")); err != nil {
		t.Fatal(err)
	}
	issued, err := enrol.IssueToken(t.Context(), owner, one, enrol.Wanted{Member: heronRig, Life: time.Hour, By: "wren", Lost: "the key's file was damaged"})
	if err != nil {
		t.Fatal(err)
	}
	token, err := trust.ParseToken(issued.Token)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := collect.Join(t.Context(), one, s.dir, token); err != nil {
		t.Fatal(err)
	}
	if collect.NextKey(s.dir) {
		t.Error("the key that was to come next is still there")
	}
	if ids, err := collect.RotateKey(t.Context(), s.dir); err != nil || len(ids) != 1 {
		t.Errorf("%v, %v", ids, err)
	}
	s.deliver(one)
}
