package collect_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// TestDamagedWhileServed: the pages of a served archive go. The next delivery meets
// that; it and all later ones wait at their rigs, and whoever asks is told why.
func TestDamagedWhileServed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, stop := labtest.Serve(t, dir)
	defer stop()
	owner := labtest.DialOwner(t, address, dir)
	g := labtest.NewRig("heron", labtest.Rand(t))
	send := func() error {
		run := g.Finish(labtest.Shape{Plain: true, LogBytes: 500})
		_, err := deliver.Send(context.Background(), owner, run.Signed, run.Parts())
		return err
	}
	for range 5 {
		if err := send(); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, collect.ArchiveFile)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write := func(b []byte) {
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err == nil {
			_, err = f.WriteAt(b, 2*4096) // bbolt's first pages stay
		}
		if err = errors.Join(err, f.Close()); err != nil {
			t.Fatal(err)
		}
	}
	write(make([]byte, len(whole)-2*4096))
	defer write(whole[2*4096:]) // to stop it takes another look
	for range 2 {
		if err := send(); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "its file is damaged") {
			t.Errorf("delivered: %v", err)
		}
	}
	if s, err := answer.NewClient(owner).State(context.Background()); err != nil || !strings.Contains(s.Refusing, "its file is damaged") || !strings.Contains(s.Hint, "collector restore") {
		t.Errorf("state: %+v, %v", s, err)
	}
	if r, err := healthpb.NewHealthClient(owner).Check(context.Background(), &healthpb.HealthCheckRequest{}); err != nil || r.Status != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("health: %v, %v", r, err)
	}
}

// TestLookedOver: a large archive is served at once, and what is damaged in it comes to
// light by itself, before any delivery meets it.
func TestLookedOver(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, stop := labtest.Serve(t, dir)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{LogBytes: 200 << 10})
	if _, err := deliver.Send(t.Context(), labtest.DialOwner(t, address, dir), run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	stop()
	path := spoilLogs(t, dir)
	if err := os.Truncate(path, 65<<20); err != nil { // above which not all is read first
		t.Fatal(err)
	}
	address, stop = labtest.Serve(t, dir)
	defer stop()
	comesToLight(t, answer.NewClient(labtest.DialOwner(t, address, dir)))
}

// TestLookedOverAgain: what is damaged while the archive is served comes to light by
// itself, too.
func TestLookedOverAgain(t *testing.T) {
	collect.ScanEvery(t, 50*time.Millisecond)
	dir := filepath.Join(t.TempDir(), "archive")
	address, stop := labtest.Serve(t, dir)
	defer stop()
	owner := labtest.DialOwner(t, address, dir)
	asked, g := answer.NewClient(owner), labtest.NewRig("heron", labtest.Rand(t))
	for range 3 {
		run := g.Finish(labtest.Shape{LogBytes: 200 << 10})
		if _, err := deliver.Send(t.Context(), owner, run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond) // in which it may be looked over
		if s, err := asked.State(t.Context()); err != nil || s.Refusing != "" {
			t.Fatalf("undamaged: %+v, %v", s, err)
		}
	}
	spoilLogs(t, dir)
	comesToLight(t, asked)
}

// spoilLogs damages the pages of logs in the archive of a folder, which nobody reads to
// serve it. That of a summary, which may go on in one more, is read at the start.
func spoilLogs(t *testing.T, dir string) (path string) {
	path = filepath.Join(dir, collect.ArchiveFile)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const leaf = 2
	damaged := 0
	for at := 2 * 4096; at < len(b); at += 4096 {
		if binary.NativeEndian.Uint16(b[at+8:]) != leaf || binary.NativeEndian.Uint32(b[at+12:]) <= 4 {
			continue
		}
		if _, err := f.WriteAt(make([]byte, 16), int64(at)); err != nil {
			t.Fatal(err)
		}
		damaged++
	}
	if damaged == 0 {
		t.Fatal("no page goes on in many")
	}
	return path
}

// comesToLight waits until the collector says that its file is damaged.
func comesToLight(t *testing.T, asked answer.Client) {
	t.Helper()
	insist(t, "tell of the damage", func(ctx context.Context) error {
		s, err := asked.State(ctx)
		if err == nil && !strings.Contains(s.Refusing, "its file is damaged") {
			err = fmt.Errorf("%+v", s)
		}
		return err
	})
}

// TestDamagedCopy: a copy with damaged pages is not copied into, and begins anew once
// its file is out of the way.
func TestDamagedCopy(t *testing.T) {
	s := newCopiedSite(t)
	s.send(3)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(s.copyDir, collect.ArchiveFile)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(b[2*4096 : 32*4096]) // behind bbolt's first pages
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	_, accepted := collect.AcceptSource(s.copyDir, "2031", "ibis", "it was moved")
	for _, err := range []error{s.once(), accepted} {
		if !errors.Is(err, archive.ErrDamaged) || !strings.Contains(fault.HintOf(err), "begins a new copy") {
			t.Errorf("%v, hint %s", err, fault.HintOf(err))
		}
	}
	if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, b) {
		t.Errorf("something was written over the damage (%v)", err)
	}
	if err := os.Rename(path, filepath.Join(t.TempDir(), collect.ArchiveFile)); err != nil {
		t.Fatal(err)
	}
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.holds(s.copyDir, s.head().Size)
}
