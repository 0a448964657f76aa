package collect

import (
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// The files of trust in a collector's folder, for its owner alone.
const (
	authorityFile = "authority.pem"
	ownerFile     = "owner.pem"
)

// authority gives the collector's authority, made when it is first needed. A
// collector without a folder has none.
func (c *Collector) authority() (*trust.Authority, error) {
	if c.dir == "" {
		return nil, fault.New("find authority", "", errors.New("this collector has no folder and no authority"))
	}
	return loadAuthority(filepath.Join(c.dir, authorityFile), c.site, c.now())
}

// loadAuthority reads the authority of the site, or where that is "" the one at
// path, which it makes first when it is not there.
func loadAuthority(path, site string, now time.Time) (*trust.Authority, error) {
	if site != "" {
		path = site
	}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && site == "" {
		if err := makeAuthority(path, now); err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, fault.New("make authority", path, err)
		}
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, fault.New("read authority", path, err).WithHint("it takes a PEM file with the authority's certificate and its key (PKCS #8)")
	}
	a, err := trust.ParseAuthority(b)
	if err != nil {
		return nil, fault.New("read authority", path, err).WithHint("restore the file from where it was kept; with another authority every member has to be enrolled again")
	}
	return a, nil
}

// makeAuthority links a whole file into place, so that of two processes that
// start at once both use the same.
func makeAuthority(path string, now time.Time) error {
	b, err := trust.NewAuthority(now)
	if err != nil {
		return err
	}
	f, err := durable.Create(path) // 0600
	if err != nil {
		return err
	}
	if err := f.Chmod(0o600); err != nil {
		return errors.Join(err, f.Abandon())
	}
	if _, err := f.Write(b); err != nil {
		return errors.Join(err, f.Abandon())
	}
	return f.Commit()
}

// localName is what this machine calls itself in the collector's certificate.
func localName() string {
	if h, err := os.Hostname(); err == nil && trust.ValidName(h) {
		return h
	}
	return "collector"
}

// dialable gives the address at which this machine reaches one of its own that it
// listens at: a listener on all networks is on loopback, too.
func dialable(a net.Addr) string {
	t, ok := a.(*net.TCPAddr)
	if !ok || !t.IP.IsUnspecified() {
		return a.String()
	}
	host := "127.0.0.1"
	if t.IP.To4() == nil {
		host = "::1"
	}
	return (&net.TCPAddr{IP: net.ParseIP(host), Port: t.Port}).String()
}

// Owner reads who the owner of a served folder is. It is asked at every
// connection, since the file is made anew.
func Owner(dir string) func() []trust.Identity {
	return func() []trust.Identity {
		b, err := os.ReadFile(filepath.Join(dir, ownerFile))
		if err != nil {
			return nil
		}
		id, err := trust.ParseWhole(b)
		if err != nil {
			return nil
		}
		return []trust.Identity{id}
	}
}
