package collect

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/test/bufconn"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// Connection is a way to a collector. Close it when done; an embedded
// collector holds its archive until then.
type Connection struct {
	grpc.ClientConnInterface
	Where string // HOST:PORT, or the embedded archive's folder
	Doubt error  // why an embedded collector keeps nothing; nil when it does
	close func() error
}

// Close ends the connection and, for an embedded collector, lets its archive go.
func (c *Connection) Close() error { return c.close() }

// Dial connects to a served collector as one of those identities, which are asked
// for at every connection. It does not wait for it to answer.
func Dial(address string, who func() []trust.Identity) (*Connection, error) {
	if err := CheckAddress(address); err != nil {
		return nil, err
	}
	if len(who()) == 0 {
		return nil, fault.New("connect to collector", address, ErrStranger)
	}
	return dial(address, trust.Client(enrolledAt(address, who), time.Now))
}

// DialToRead is Dial that also takes a copy which a witness serves, at an address
// where nothing was enrolled; met is told of it. What it gives is for reading.
func DialToRead(address string, who func() []trust.Identity, met func(trust.Member)) (*Connection, error) {
	if err := CheckAddress(address); err != nil {
		return nil, err
	}
	all := who()
	if len(all) == 0 {
		return nil, fault.New("connect to collector", address, ErrStranger)
	}
	if slices.ContainsFunc(all, func(id trust.Identity) bool { return id.Collector == address }) {
		return Dial(address, who)
	}
	var once sync.Once
	return dial(address, trust.ClientToRead(who, time.Now, func(m trust.Member) {
		if m.Role == trust.Witness {
			once.Do(func() { met(m) })
		}
	}))
}

// enrolledAt gives who somebody is with the collector at address, so that no other
// one can pass for it; all that he is when nothing was enrolled at that address.
func enrolledAt(address string, who func() []trust.Identity) func() []trust.Identity {
	return func() []trust.Identity {
		all := who()
		here := slices.DeleteFunc(slices.Clone(all), func(id trust.Identity) bool { return id.Collector != address })
		if len(here) == 0 {
			return all
		}
		return here
	}
}

// ErrStranger is returned when somebody has no certificate to show.
var ErrStranger = errors.New("it only talks to members, and there is no certificate of one here")

// DialToJoin connects to the collector that a token is from, as nobody.
func DialToJoin(address string, authority trust.Fingerprint) (*Connection, error) {
	return dial(address, trust.Joining(authority, time.Now))
}

// CheckAddress refuses what is no address of a collector.
func CheckAddress(address string) error {
	host, port, err := net.SplitHostPort(address)
	if err == nil && (host == "" || port == "") {
		err = errors.New("it has no host or no port")
	}
	if err != nil {
		return fault.New("connect to collector", address, err).WithHint("name it as HOST:PORT, such as dome.example:7410")
	}
	return nil
}

func dial(address string, tls *tls.Config) (*Connection, error) {
	if err := CheckAddress(address); err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient(address, append(clientOptions(),
		grpc.WithTransportCredentials(credentials.NewTLS(tls)),
		grpc.WithNoProxy(),
		grpc.WithConnectParams(grpc.ConnectParams{MinConnectTimeout: 5 * time.Second, Backoff: backoff.Config{
			BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 5 * time.Second,
		}}),
		// A cable that is pulled says nothing: without this a call waits for ever.
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 10 * time.Second, Timeout: 10 * time.Second}))...)
	if err != nil {
		return nil, fault.New("connect to collector", address, err)
	}
	return &Connection{ClientConnInterface: conn, Where: address, close: conn.Close}, nil
}

func clientOptions() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer))}
}

// Embedded opens the archive in dir and serves it in memory to this process.
// When another process serves that archive, it connects there instead.
func Embedded(ctx context.Context, dir string, log *slog.Logger) (*Connection, error) {
	for patience := 40; ; patience-- {
		c, err := inProcess(dir, log)
		if !errors.Is(err, archive.ErrBusy) {
			return c, err
		}
		if address, ok := served(ctx, dir); ok {
			return Dial(address, Owner(dir))
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

// Served connects to the collector that serves the archive in dir. It never opens
// the archive itself; the error is answer.ErrUnreachable when nobody serves it.
func Served(ctx context.Context, dir string) (*Connection, error) {
	address, ok := served(ctx, dir)
	if !ok {
		return nil, fault.New("connect to collector", dir, fmt.Errorf("%w: nobody serves this archive", answer.ErrUnreachable)).
			WithHint("start one with: collector serve; or name one with --collector HOST:PORT")
	}
	return Dial(address, Owner(dir))
}

// served gives the address at which the archive in dir is served at present. One
// that nobody listens at is of a collector that is stopping, or was killed.
func served(ctx context.Context, dir string) (address string, ok bool) {
	address = ServedAt(dir)
	if address == "" || len(Owner(dir)()) == 0 {
		return "", false
	}
	c, err := (&net.Dialer{Timeout: 2 * time.Second}).DialContext(ctx, "tcp", address)
	if err != nil {
		return "", false
	}
	c.Close()
	return address, true
}

// ServedAt gives the address that a folder is, or was last, served at.
func ServedAt(dir string) string {
	b, err := os.ReadFile(filepath.Join(dir, addressFile))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

func inProcess(dir string, log *slog.Logger) (*Connection, error) {
	const wait = 200 * time.Millisecond
	c, err := open(dir, wait, log)
	if errors.Is(err, archive.ErrDamaged) {
		if a, e := archive.OpenDamaged(filepath.Join(dir, ArchiveFile), err, wait); e == nil {
			c, err = New(a, time.Now, log), nil
			c.dir = dir
		}
	}
	if err != nil {
		return nil, err
	}
	pipe := bufconn.Listen(1 << 20)
	srv := c.Server(deliver.DefaultLimits)
	go srv.Serve(pipe) // ends with Stop
	conn, err := grpc.NewClient("passthrough:///embedded", append(clientOptions(),
		grpc.WithTransportCredentials(insecure.NewCredentials()), // which never leaves this process
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))...)
	if err != nil {
		srv.Stop()
		return nil, errors.Join(err, c.close())
	}
	return &Connection{conn, dir, c.doubt(), func() error {
		err := conn.Close()
		c.calls.stop()
		srv.Stop()
		return errors.Join(err, c.close())
	}}, nil
}

// The files beside each other in a collector's folder.
const (
	ArchiveFile = "archive.db"
	keyFile     = "trail.key"
	addressFile = "address"
)

// OpenArchive opens the archive in a collector's folder, making both and the
// key of its trail when they are new. An archive without its key is opened to be
// read only: a new key could not continue the trail.
func OpenArchive(dir string, wait time.Duration) (*archive.Archive, error) {
	path := filepath.Join(dir, ArchiveFile)
	_, err := os.Stat(path)
	fresh := errors.Is(err, fs.ErrNotExist)
	key, err := LoadKey(filepath.Join(dir, keyFile), fresh)
	if err != nil && !fresh {
		if err := placeNext(dir, path, wait); err != nil {
			return nil, err
		}
		key, err = LoadKey(filepath.Join(dir, keyFile), false)
	}
	if errors.Is(err, fs.ErrNotExist) && !fresh {
		return archive.OpenReadOnly(path, "", wait)
	}
	if err != nil {
		return nil, err
	}
	next, err := LoadKey(filepath.Join(dir, nextKeyFile), false)
	if err != nil {
		next = nil // there is none, or it was not finished
	}
	origin, err := originIn(dir, key, "witnessmark.example/"+fingerprint(key)) // should nothing be in it yet
	if err != nil {
		return nil, err
	}
	a, err := archive.Open(path, archive.Options{Key: key, Next: next, Origin: origin, Now: time.Now, Wait: wait, MapSize: mapSize()})
	if err != nil && !errors.Is(err, archive.ErrBusy) {
		// Whoever had the archive until now may have changed its key meanwhile.
		if now, e := LoadKey(filepath.Join(dir, keyFile), false); e == nil && !now.Equal(key) {
			return OpenArchive(dir, wait)
		}
	}
	if err != nil {
		return nil, err
	}
	if err := settleKey(a, dir); err != nil {
		return nil, errors.Join(err, a.Close())
	}
	// Whoever has the archive knows that an address beside it is of the dead.
	os.Remove(filepath.Join(dir, addressFile))
	return a, nil
}

// open assembles the collector of a folder.
func open(dir string, wait time.Duration, log *slog.Logger) (*Collector, error) {
	a, err := OpenArchive(dir, wait)
	if err != nil {
		return nil, err
	}
	c := New(a, time.Now, log)
	c.dir = dir
	if a.ReadOnly() {
		return c, nil
	}
	if c.heads, err = openHeads(a, dir); err != nil {
		return nil, errors.Join(err, a.Close())
	}
	if err := c.heads.err(); err != nil {
		log.Error("nothing is kept until this is settled", "error", err, "hint", fault.HintOf(err))
	}
	return c, nil
}

// close writes down the last head and lets the archive go.
func (c *Collector) close() error {
	return errors.Join(c.heads.note(c.archive, true), c.flushBeats(), c.archive.Close())
}
