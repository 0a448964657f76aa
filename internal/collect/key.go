package collect

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

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
	switch {
	case errors.Is(err, fs.ErrPermission):
		return nil, fault.New("read key", path, err).WithHint("look at the rights on the state folder, or name another with --state DIR or WITNESSMARK_STATE")
	case err != nil:
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
	if err := os.Link(f.Name(), path); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(path))
}

// ofKey says whether a verifier key is the public half of key.
func ofKey(verifier string, key ed25519.PrivateKey) bool {
	v, err := note.NewVerifier(verifier)
	if err != nil {
		return false
	}
	own, err := trail.VerifierKey(v.Name(), key.Public().(ed25519.PublicKey))
	return err == nil && own == verifier
}
