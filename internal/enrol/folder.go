package enrol

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
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

// suffix is how the files of certificates end, of which there is one for each
// collector and key. There was one for each authority and key before, and one for each
// authority before that.
const suffix = ".pem"

// Load reads who the holder of the key is, with each collector that it was
// enrolled with; nothing when dir is not there. A file that cannot be read, or is
// of another key where there is none of this one, is an error beside what the
// others hold.
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
		switch {
		case errors.Is(err, fs.ErrNotExist): // it was taken away meanwhile
		case errors.Is(err, trust.ErrOtherKey) && ofOtherKey(f.Name(), key, files):
		case err != nil:
			bad = errors.Join(bad, fault.New("read certificate", path, err).WithHint("enrol once more with a new token"))
		default:
			ids = add(ids, id)
		}
	}
	return ids, bad
}

// ofOtherKey says whether a file is rightly of another key: of one that comes
// next, or of the one before.
func ofOtherKey(name string, key ed25519.PrivateKey, files []fs.DirEntry) bool {
	parts := strings.Split(strings.TrimSuffix(name, suffix), "-")
	if len(parts) > 1 {
		return parts[1] != keyPart(key)
	}
	return slices.ContainsFunc(files, func(f fs.DirEntry) bool { return strings.HasPrefix(f.Name(), parts[0]+"-"+keyPart(key)) })
}

// add keeps the latest certificate of each collector.
func add(ids []trust.Identity, id trust.Identity) []trust.Identity {
	for i, had := range ids {
		if had.SameCollector(id) {
			if had.Leaf.NotAfter.Before(id.Leaf.NotAfter) {
				ids[i] = id
			}
			return ids
		}
	}
	return append(ids, id)
}

// fileName names a certificate's file by its authority, its key and the collector's
// address: those of two keys lie beside each other while one goes over into the other,
// and so do those of two collectors with one authority.
func fileName(id trust.Identity) string {
	at := sha256.Sum256([]byte(id.Collector))
	return fmt.Sprintf("%.32s-%s-%x%s", trust.FingerprintOf(id.Authority), keyPart(id.Key), at[:8], suffix)
}

func keyPart(key ed25519.PrivateKey) string {
	sum := sha256.Sum256(key.Public().(ed25519.PublicKey))
	return fmt.Sprintf("%x", sum[:8])
}

// Save keeps an identity's certificate in dir, in the place of an earlier one of
// the same collector and key.
func Save(dir string, id trust.Identity) error {
	err := durable.MakeDir(dir)
	if err == nil {
		err = durable.WriteFile(dir, fileName(id), id.Certificates())
	}
	if err != nil {
		return fault.New("keep certificate", dir, err)
	}
	return nil
}

// Clear takes away the certificates in dir that are of other keys.
func Clear(dir string, key ed25519.PrivateKey) error {
	files, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), suffix) || strings.HasPrefix(f.Name(), ".") {
			continue
		}
		b, err2 := os.ReadFile(filepath.Join(dir, f.Name()))
		if err2 == nil {
			if _, err2 = trust.ParseIdentity(b, key); errors.Is(err2, trust.ErrOtherKey) {
				err = errors.Join(err, os.Remove(filepath.Join(dir, f.Name())))
			}
		}
	}
	return err
}

// At gives the identity that was enrolled at that address; where none was, the latest,
// if all are of one authority.
func At(ids []trust.Identity, address string) (trust.Identity, bool) {
	i := slices.IndexFunc(ids, func(id trust.Identity) bool { return id.Collector == address })
	if i >= 0 {
		return ids[i], true
	}
	var latest trust.Identity
	for _, id := range ids {
		switch {
		case latest.Leaf == nil:
		case trust.FingerprintOf(id.Authority) != trust.FingerprintOf(latest.Authority):
			return trust.Identity{}, false
		case id.Leaf.NotAfter.Before(latest.Leaf.NotAfter):
			continue
		}
		latest = id
	}
	return latest, latest.Leaf != nil
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
	Dir     string                           // of the certificates
	Who     func() ([]trust.Identity, error) // at present, with each collector
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
	ids, err := k.Who()
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
