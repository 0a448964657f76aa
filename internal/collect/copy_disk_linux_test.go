package collect_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// TestCopyOnFullDisk: a follower whose disk is full says so, goes on being read,
// has no half step, and goes on by itself once there is room.
func TestCopyOnFullDisk(t *testing.T) {
	small := labtest.SmallDisk(t, "24m")
	dir, copyDir := filepath.Join(t.TempDir(), "archive"), filepath.Join(small, "copy")
	address, _ := labtest.Serve(t, dir)
	conn := labtest.DialOwner(t, address, dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	send := func(n, size int) {
		t.Helper()
		for range n {
			run := heron.Finish(labtest.Shape{Plain: true, LogBytes: size})
			if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts()); err != nil {
				t.Fatal(err)
			}
		}
	}
	send(2, 500)
	var log shared
	var copied *collect.Connection
	start := func() (stop func()) {
		t.Helper()
		ctx, cancel := context.WithCancel(context.Background())
		ready, ended := make(chan string, 1), make(chan error, 1)
		go func() {
			ended <- collect.Follow(ctx, collect.Following{
				Dir: copyDir, Source: address, Listen: "127.0.0.1:0", Dial: owning(dir), Log: slog.New(slog.NewTextHandler(&log, nil)),
				Ready: func(a string) { ready <- a },
			})
		}()
		select {
		case a := <-ready:
			copied = dialled(t, a, copyDir)
		case err := <-ended:
			t.Fatal(err)
		}
		return sync.OnceFunc(func() {
			cancel()
			<-ended
		})
	}
	stop := start()
	defer func() { stop() }()
	caughtUp := func() {
		t.Helper()
		want, _ := headAt(t, conn)
		insist(t, "catch up", func(context.Context) error {
			if h, ok := headAt(t, copied); !ok || h != want {
				return fmt.Errorf("at %v, not %v", h, want)
			}
			return nil
		})
	}
	caughtUp()
	before, _ := headAt(t, copied)
	empty := labtest.FillDisk(t, filepath.Join(small, "filler"))
	send(3, 400_000)
	insist(t, "its word on it", func(context.Context) error {
		if !log.holds("no space left") {
			return fmt.Errorf("it does not say so")
		}
		return nil
	})
	after, _ := headAt(t, conn)
	if h, ok := headAt(t, copied); !ok || h.Size < before.Size || h.Size >= after.Size {
		t.Errorf("on the full disk it came from %v to %v of %v", before, h, after)
	}
	read := func() {
		t.Helper()
		var n int
		if err := answer.NewClient(copied).Runs(t.Context(), answer.Query{}, func(answer.Summary) error { n++; return nil }); err != nil || n < 2 || n > 4 {
			t.Errorf("read on the full disk: %d, %v", n, err)
		}
	}
	read()
	stop()
	// What its end gave back is taken, too, before it is opened again.
	rest := labtest.FillDisk(t, filepath.Join(small, "rest"))
	stop = start()
	read()
	rest()
	empty()
	insist(t, "a new owner, and the address beside it", func(context.Context) error {
		if collect.ServedAt(copyDir) == "" {
			return errors.New("there is none")
		}
		return nil
	})
	caughtUp() // over the connection of before, which comes back as that owner
	if _, err := answer.NewClient(copied).Check(t.Context(), func(where, what string) { t.Errorf("%s: %s", where, what) }, nil); err != nil {
		t.Error(err)
	}
}
