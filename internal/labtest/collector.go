package labtest

import (
	"context"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
)

// Collector is a collector in this process, reached over a connection in memory.
type Collector struct {
	grpc.ClientConnInterface
	Archive *archive.Archive
}

// NewCollector starts one with an archive of its own until the test ends.
func NewCollector(t testing.TB) *Collector {
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), archive.Options{
		Key: Key(Seeded(7)), Origin: "collector.dome.example/trail", Now: time.Now,
	})
	if err != nil {
		t.Fatal(err)
	}
	srv := collect.New(a, time.Now, Quiet()).Server(deliver.DefaultLimits)
	c := &Collector{Connect(t, srv), a}
	t.Cleanup(func() {
		srv.Stop()
		a.Close()
	})
	return c
}

// Connect serves srv in memory until the test ends and connects to it.
func Connect(t testing.TB, srv *grpc.Server) *grpc.ClientConn {
	pipe := bufconn.Listen(1 << 20)
	go srv.Serve(pipe)
	conn, err := grpc.NewClient("passthrough:///lab",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		conn.Close()
		srv.Stop()
	})
	return conn
}

// Quiet is a log that nobody reads.
func Quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// Verifiers reads the text of a collector's public key.
func Verifiers(t testing.TB, key string) note.Verifiers {
	v, err := note.NewVerifier(key)
	if err != nil {
		t.Fatal(err)
	}
	return note.VerifierList(v)
}
