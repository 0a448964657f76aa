package collect_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
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
