package collect

import (
	"context"
	"crypto/ed25519"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// The files of a member's folder.
const (
	memberKey    = "key.pem"
	certificates = "certificates"
)

// renewing is how long a command waits for a new certificate before it goes on
// with the one it has.
const renewing = 10 * time.Second

// Certificates is where a member's folder has its certificates.
func Certificates(dir string) string { return filepath.Join(dir, certificates) }

// Who reads who the member is that has its key and certificates in dir. What it
// gives reads the certificates anew each time.
func Who(dir string) (func() []trust.Identity, error) {
	key, err := LoadKey(filepath.Join(dir, memberKey), false)
	if errors.Is(err, fs.ErrNotExist) {
		return func() []trust.Identity { return nil }, nil
	}
	if err != nil {
		return nil, err
	}
	if ids, err := presently(dir, key); err != nil && len(ids) == 0 {
		return nil, err
	}
	return func() []trust.Identity {
		ids, _ := presently(dir, key) // the others count
		return ids
	}, nil
}

// presently gives who the member of a folder is that had this key when it was read last.
// Another may have come after it, or come while this looks, and then certificates are
// taken away.
func presently(dir string, key ed25519.PrivateKey) ([]trust.Identity, error) {
	for {
		ids, err := identities(dir, key)
		now, gone := LoadKey(filepath.Join(dir, memberKey), false)
		if gone != nil || now.Equal(key) {
			return ids, err
		}
		key = now
	}
}

// identities gives who the member of a folder is: with its key, and where a collector has
// admitted the one that comes next already, with that.
func identities(dir string, key ed25519.PrivateKey) ([]trust.Identity, error) {
	ids, err := enrol.Load(Certificates(dir), key)
	next, none := LoadKey(filepath.Join(dir, nextKey), false)
	if none != nil {
		return ids, err
	}
	later, _ := enrol.Load(Certificates(dir), next) // who has none yet is as before
	for i, id := range ids {
		for _, l := range later {
			if l.SameCollector(id) {
				ids[i] = l
			}
		}
	}
	return ids, err
}

// Present is who the member of a folder is at present, with each of its collectors.
func Present(dir string) ([]trust.Identity, error) {
	key, err := LoadKey(filepath.Join(dir, memberKey), false)
	if err != nil {
		return nil, err
	}
	return presently(dir, key)
}

// DialAs connects as the member of a folder, and renews its certificate if it is
// time to. Warn is told when that fails.
func DialAs(ctx context.Context, address, dir string, warn func(error)) (*Connection, error) {
	who, err := Who(dir)
	if err != nil {
		return nil, err
	}
	conn, err := Dial(address, who)
	if err != nil {
		return nil, err
	}
	if id, ok := enrol.At(who(), address); ok && !time.Now().Before(id.RenewAt()) {
		ctx, cancel := context.WithTimeout(ctx, renewing)
		defer cancel()
		if _, err := enrol.Refresh(ctx, conn, Certificates(dir), id, time.Now()); err != nil {
			warn(err)
		}
	}
	return conn, nil
}

// DialReading is DialAs for reading, which takes copies: see DialToRead.
func DialReading(ctx context.Context, address, dir string, warn func(error), met func(trust.Member)) (*Connection, error) {
	who, err := Who(dir)
	if err != nil {
		return nil, err
	}
	all := who()
	if slices.ContainsFunc(all, func(id trust.Identity) bool { return id.Collector == address }) {
		return DialAs(ctx, address, dir, warn)
	}
	if id, ok := enrol.At(all, address); ok && !time.Now().Before(id.RenewAt()) {
		// It may be the collector itself by another address; a copy renews nothing.
		if conn, err := DialAs(ctx, address, dir, func(error) {}); err == nil {
			conn.Close()
		}
	}
	return DialToRead(address, who, met)
}

// WitnessAt gives the witness that a folder's member is with the collector at an
// address, asked again each time; false when it is none.
func WitnessAt(dir, address string) (func() (trust.Identity, bool), error) {
	who, err := Who(dir)
	if err != nil {
		return nil, err
	}
	return func() (trust.Identity, bool) {
		id, ok := enrol.At(who(), address)
		return id, ok && id.Role == trust.Witness
	}, nil
}

// StayMember renews the certificates of a member's folder for as long as ctx lives.
func StayMember(ctx context.Context, dir string, dial func(address string) (*Connection, error), log *slog.Logger) {
	who := func() ([]trust.Identity, error) { return Present(dir) }
	if ids, err := who(); len(ids) == 0 && err != nil {
		return // nobody, who has no key; or who is told of it by Who
	}
	enrol.Keep(ctx, enrol.Keeping{Dir: Certificates(dir), Who: who, Now: time.Now, Log: log, Connect: func(address string) (grpc.ClientConnInterface, func(), error) {
		conn, err := dial(address)
		if err != nil {
			return nil, nil, err
		}
		return conn, func() { conn.Close() }, nil
	}})
}

// DialLasting connects as the member of a folder for as long as a process runs. It
// may become one, and renew its certificate, meanwhile: who it is is asked at
// every connection.
func DialLasting(address, dir string) (*Connection, error) {
	who, err := Who(dir)
	if err != nil {
		return nil, err
	}
	return dial(address, trust.Client(enrolledAt(address, who), time.Now))
}

// DialOwner connects to a collector as the owner of its folder.
func DialOwner(address, dir string) (*Connection, error) {
	return dial(address, trust.Client(Owner(dir), time.Now))
}

// Join makes the folder's key, on first use, a member of the collector at address
// that the token is from.
func Join(ctx context.Context, address, dir string, t trust.Token) (trust.Identity, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return trust.Identity{}, fault.New("enrol", dir, err)
	}
	lock, err := lockKey(dir) // a change of it would not know of this collector
	if err != nil {
		return trust.Identity{}, err
	}
	defer lock.Close()
	key, err := firstKey(dir)
	if err != nil {
		return trust.Identity{}, err
	}
	conn, err := DialToJoin(address, t.Authority)
	if err != nil {
		return trust.Identity{}, err
	}
	defer conn.Close()
	id, err := enrol.Join(ctx, conn, address, t, key)
	if err != nil {
		return id, err
	}
	if err := enrol.Save(Certificates(dir), id); err != nil {
		return id, fault.New("enrol", address, err).WithHint("the token is spent; make room and enrol with a new one")
	}
	return id, nil
}

// firstKey gives a folder's key, made where there is none: one that was to come after
// a key that is gone comes after no other.
func firstKey(dir string) (ed25519.PrivateKey, error) {
	path := filepath.Join(dir, memberKey)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := removeIfThere(filepath.Join(dir, nextKey)); err != nil {
			return nil, fault.New("enrol", dir, err)
		}
	}
	return LoadKey(path, true)
}

// Desk is where in a state folder whoever asks questions keeps who he is. The
// folder itself is the rig's.
func Desk(state string) string { return filepath.Join(state, "desk") }
