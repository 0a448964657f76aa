package enrol

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// suffix is how the files of certificates are called, one for each authority.
const suffix = ".pem"

// Load reads who the holder of the key is, with each collector that it was
// enrolled with; nothing when dir is not there. A file that cannot be read, or is
// of another key, is an error beside what the others hold.
func Load(dir string, key ed25519.PrivateKey) (ids []trust.Identity, err error) {
	files, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New("read certificates", dir, err)
	}
	var bad error
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), suffix) || strings.HasPrefix(f.Name(), ".") {
			continue
		}
		path := filepath.Join(dir, f.Name())
		b, err := os.ReadFile(path)
		var id trust.Identity
		if err == nil {
			id, err = trust.ParseIdentity(b, key)
		}
		if err != nil {
			bad = errors.Join(bad, fault.New("read certificate", path, err).WithHint("enrol once more with a new token"))
			continue
		}
		ids = append(ids, id)
	}
	return ids, bad
}

// Save keeps an identity's certificate in dir, in the place of an earlier one of
// the same authority.
func Save(dir string, id trust.Identity) error {
	err := durable.MakeDir(dir)
	if err == nil {
		err = durable.WriteFile(dir, trust.FingerprintOf(id.Authority).String()[:32]+suffix, id.Certificates())
	}
	if err != nil {
		return fault.New("keep certificate", dir, err)
	}
	return nil
}

// At gives the identity that was enrolled at that address, or the only one there
// is.
func At(ids []trust.Identity, address string) (trust.Identity, bool) {
	i := slices.IndexFunc(ids, func(id trust.Identity) bool { return id.Collector == address })
	switch {
	case i >= 0:
		return ids[i], true
	case len(ids) == 1:
		return ids[0], true
	}
	return trust.Identity{}, false
}

// Refresh renews an identity over a connection that it was used for, if it is
// time to, and keeps it in dir.
func Refresh(ctx context.Context, conn grpc.ClientConnInterface, dir string, id trust.Identity, now time.Time) (trust.Identity, error) {
	if now.Before(id.RenewAt()) {
		return id, nil
	}
	next, err := Renew(ctx, conn, id)
	if err == nil {
		err = Save(dir, next)
	}
	return next, err
}

// Keeping is what Keep needs.
type Keeping struct {
	Dir     string // of the certificates
	Key     ed25519.PrivateKey
	Connect func(address string) (conn grpc.ClientConnInterface, done func(), err error)
	Now     func() time.Time
	Log     *slog.Logger
	Every   time.Duration // how often to look; 0 is each hour
}

// Keep renews certificates for as long as ctx lives. What fails is told to the
// log and tried again; there is a month left when it first is.
func Keep(ctx context.Context, k Keeping) {
	t := time.NewTicker(cmp.Or(k.Every, time.Hour))
	defer t.Stop()
	for {
		k.once(ctx)
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

func (k Keeping) once(ctx context.Context) {
	ids, err := Load(k.Dir, k.Key)
	if err != nil {
		k.Log.Error("certificates", "error", err)
	}
	for _, id := range ids {
		if k.Now().Before(id.RenewAt()) {
			continue
		}
		next, err := k.renew(ctx, id)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			k.Log.Warn("certificate not renewed", "collector", id.Collector, "ends", id.Leaf.NotAfter, "error", err)
			continue
		}
		k.Log.Info("certificate renewed", "collector", id.Collector, "ends", next.Leaf.NotAfter)
	}
}

func (k Keeping) renew(ctx context.Context, id trust.Identity) (trust.Identity, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	conn, done, err := k.Connect(id.Collector)
	if err != nil {
		return id, err
	}
	defer done()
	return Refresh(ctx, conn, k.Dir, id, k.Now())
}
