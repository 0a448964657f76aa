package collect

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
)

// Connection is a way to a collector. Close it when done; an embedded
// collector holds its archive until then.
type Connection struct {
	grpc.ClientConnInterface
	Where string // HOST:PORT, or the embedded archive's folder
	close func() error
}

// Close ends the connection and, for an embedded collector, lets its archive go.
func (c *Connection) Close() error { return c.close() }

// Dial connects to a served collector. It does not wait for it to answer.
func Dial(address string) (*Connection, error) {
	if err := loopback(address); err != nil {
		return nil, fault.New("connect to collector", address, err).
			WithHint("until certificates are there, run the collector on this machine or reach it through a tunnel to loopback")
	}
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage)))
	if err != nil {
		return nil, fault.New("connect to collector", address, err)
	}
	return &Connection{conn, address, conn.Close}, nil
}

// Embedded opens the archive in dir and serves it in memory to this process.
// When another process serves that archive, it connects there instead.
func Embedded(ctx context.Context, dir string, log *slog.Logger) (*Connection, error) {
	for patience := 40; ; patience-- {
		c, err := inProcess(dir, log)
		if !errors.Is(err, archive.ErrBusy) {
			return c, err
		}
		if b, e := os.ReadFile(filepath.Join(dir, addressFile)); e == nil {
			return Dial(strings.TrimSpace(string(b)))
		}
		if patience == 0 {
			return nil, err
		}
		select {
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		case <-time.After(250 * time.Millisecond):
		}
	}
}

func inProcess(dir string, log *slog.Logger) (*Connection, error) {
	a, err := OpenArchive(dir, 200*time.Millisecond)
	if err != nil {
		return nil, err
	}
	pipe := bufconn.Listen(1 << 20)
	srv := New(a, time.Now, log).Server(deliver.DefaultLimits)
	go srv.Serve(pipe) // ends with Stop
	conn, err := grpc.NewClient("passthrough:///embedded",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage)))
	if err != nil {
		srv.Stop()
		return nil, errors.Join(err, a.Close())
	}
	return &Connection{conn, dir, func() error {
		err := conn.Close()
		srv.Stop()
		return errors.Join(err, a.Close())
	}}, nil
}

// The files beside each other in a collector's folder.
const (
	archiveFile = "archive.db"
	keyFile     = "trail.key"
	addressFile = "address"
)

// OpenArchive opens the archive in a collector's folder, making both and the
// key of its trail when they are new. A folder with an archive and no key is
// refused: a new key could not continue the trail.
func OpenArchive(dir string, wait time.Duration) (*archive.Archive, error) {
	_, err := os.Stat(filepath.Join(dir, archiveFile))
	key, err := LoadKey(filepath.Join(dir, keyFile), errors.Is(err, fs.ErrNotExist))
	if err != nil {
		return nil, err
	}
	return archive.Open(filepath.Join(dir, archiveFile), archive.Options{
		Key: key, Origin: "witnessmark.example/" + fingerprint(key), Now: time.Now, Wait: wait,
	})
}

func fingerprint(key ed25519.PrivateKey) string {
	pub := key.Public().(ed25519.PublicKey)
	return fmt.Sprintf("%x", pub[:6])
}

// LoadKey reads an Ed25519 key (PKCS #8, PEM), and makes it first when it is
// not there and may be made. The file is readable by its owner only.
func LoadKey(path string, mayMake bool) (ed25519.PrivateKey, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && mayMake {
		if err := makeKey(path); err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, fault.New("make key", path, err)
		}
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, fault.New("read key", path, err).WithHint("without its key nothing can be signed; restore it from where it was kept")
	}
	block, _ := pem.Decode(b)
	if block == nil {
		return nil, fault.New("read key", path, errors.New("it holds no PEM block")).WithHint("restore the file from where it was kept")
	}
	k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fault.New("read key", path, err)
	}
	key, ok := k.(ed25519.PrivateKey)
	if !ok {
		return nil, fault.New("read key", path, fmt.Errorf("it holds a %T, not an Ed25519 key", k))
	}
	return key, nil
}

// makeKey writes a new key aside and links it into place, so that two
// processes that start at once end up with one key.
func makeKey(path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".key-") // 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	err = pem.Encode(f, &pem.Block{Type: "PRIVATE KEY", Bytes: der})
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Link(f.Name(), path)
}

// loopback refuses an address that leaves the machine.
func loopback(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("%s is not a loopback address, and deliveries are not encrypted yet", host)
	}
	return nil
}
