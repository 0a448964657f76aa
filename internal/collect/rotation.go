package collect

import (
	"context"
	"crypto/ed25519"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// nextKey is the key that comes next, while collectors have yet to admit it.
const nextKey = "key.next.pem"

// admitting is how long one collector is waited for.
const admitting = time.Minute

// rotationStep is called before each step that a crash may come before.
var rotationStep = func() {}

// NextKey says whether a folder's key is going over into another and has not yet.
func NextKey(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, nextKey))
	return err == nil
}

// RotateKey makes another key the folder's, once every collector that the member of it
// is enrolled with has admitted that by the present one's signature. Until then all
// goes on with the present one; asked again, it goes on with the same new one. It
// gives who the member is with the new key.
func RotateKey(ctx context.Context, dir string) ([]trust.Identity, error) {
	if _, err := os.Stat(filepath.Join(dir, memberKey)); errors.Is(err, fs.ErrNotExist) {
		return nil, nobody(dir)
	}
	lock, err := lockKey(dir)
	if err != nil {
		return nil, err
	}
	defer lock.Close()
	key, ids, err := presentKey(dir)
	if err != nil {
		return nil, err
	}
	rotationStep()
	next, err := LoadKey(filepath.Join(dir, nextKey), true)
	if err != nil {
		return nil, err
	}
	if next.Equal(key) {
		return nil, fault.New("rekey", filepath.Join(dir, nextKey), errors.New("it is the present key")).WithHint("remove it, and ask again")
	}
	got, err := admittedBy(ctx, dir, ids, next)
	if err != nil {
		return nil, err
	}
	rotationStep()
	if err := os.Rename(filepath.Join(dir, nextKey), filepath.Join(dir, memberKey)); err != nil {
		return nil, fault.New("rekey", dir, err).WithHint("the earlier key is there yet; ask again")
	}
	rotationStep()
	err = durable.SyncDir(dir) // before what the key of before has is taken away
	if err == nil {
		err = enrol.Clear(Certificates(dir), next)
	}
	if err != nil {
		return nil, fault.New("rekey", dir, err)
	}
	return got, nil
}

// ErrRekeying is returned while another process changes the key of a folder.
var ErrRekeying = errors.New("the key of this machine is being changed")

// lockKey keeps others from joining with a folder's key, and from changing it, until
// what it gives is closed.
func lockKey(dir string) (*os.File, error) {
	lock, err := durable.TryLock(filepath.Join(dir, "rekey.lock"), os.O_CREATE|os.O_RDWR)
	if err == nil && lock == nil {
		err = ErrRekeying
	}
	if err != nil {
		return nil, fault.New("rekey", dir, err).WithHint("another command does that, or an agent serve, which finishes what was left of it; ask again in a minute")
	}
	return lock, nil
}

// presentKey gives a folder's key and who its member is, which must be somebody.
func presentKey(dir string) (ed25519.PrivateKey, []trust.Identity, error) {
	key, err := LoadKey(filepath.Join(dir, memberKey), false)
	if err != nil {
		return nil, nil, err
	}
	ids, err := enrol.Load(Certificates(dir), key)
	if err == nil && len(ids) == 0 {
		err = nobody(dir)
	}
	return key, ids, err
}

func nobody(dir string) error {
	return fault.New("rekey", dir, errors.New("this machine is enrolled with no collector")).
		WithHint("there is no key to change; one is made when a collector is joined, and that needs a token")
}

// admittedBy has every collector admit the next key, and keeps their certificates.
func admittedBy(ctx context.Context, dir string, ids []trust.Identity, next ed25519.PrivateKey) (got []trust.Identity, err error) {
	had, _ := enrol.Load(Certificates(dir), next) // what is not there is asked for
	var late []error
	for _, id := range ids {
		var now trust.Identity
		if i := slices.IndexFunc(had, id.SameCollector); i >= 0 {
			now = had[i]
		} else {
			rotationStep()
			if now, err = rotateAt(ctx, id, next); err != nil {
				late = append(late, err)
				continue
			}
			rotationStep()
			if err := enrol.Save(Certificates(dir), now); err != nil {
				return nil, err
			}
		}
		got = append(got, now)
	}
	if len(late) > 0 {
		return nil, pending(late)
	}
	return got, nil
}

func rotateAt(ctx context.Context, id trust.Identity, next ed25519.PrivateKey) (trust.Identity, error) {
	ctx, cancel := context.WithTimeout(ctx, admitting)
	defer cancel()
	conn, err := Dial(id.Collector, func() []trust.Identity { return []trust.Identity{id} })
	if err != nil {
		return id, err
	}
	defer conn.Close()
	return enrol.Rotate(ctx, conn, id, next)
}

// pending is a rotation that waits for collectors, by what each has said.
type pending []error

func (p pending) Error() string {
	said := make([]string, len(p))
	for i, err := range p {
		said[i] = err.Error()
	}
	return "the change of key waits: " + strings.Join(said, "; ")
}
func (p pending) Unwrap() []error { return p }
func (p pending) Hint() string {
	if i := slices.IndexFunc(p, func(err error) bool { return errors.Is(err, enrol.ErrRefused) }); i >= 0 {
		return fault.HintOf(p[i]) // to ask again mends nothing
	}
	return "ask again when every collector that this machine is enrolled with answers; the certificate of one that is no more, or has another address, can be taken out of the folder certificates, where the first line of each names the collector"
}
