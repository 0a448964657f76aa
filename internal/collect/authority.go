package collect

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"witnessmark/internal/archive"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// The files of trust in a collector's folder, for its owner alone.
const (
	authorityFile = "authority.pem"
	ownerFile     = "owner.pem"
)

// certifying is the collector's authority, once it was needed. It is read once: a
// file that is lost or changed while the collector serves makes no difference to
// who is certified by whom.
type certifying struct {
	mu   sync.Mutex
	site string // the file of the site's authority, if it has one
	by   *trust.Authority
}

// authority gives the collector's authority, made when it is first needed. A
// collector without a folder has none.
func (c *Collector) authority() (*trust.Authority, error) {
	if c.dir == "" {
		return nil, fault.New("find authority", "", errors.New("this collector has no folder and no authority"))
	}
	c.certifying.mu.Lock()
	defer c.certifying.mu.Unlock()
	if c.certifying.by == nil {
		a, err := c.loadAuthority()
		if err != nil {
			return nil, err
		}
		c.certifying.by = a
	}
	return c.certifying.by, nil
}

// loadAuthority reads the authority of the site, or where there is none the one
// in the collector's folder, which it makes first where nobody needs another.
func (c *Collector) loadAuthority() (*trust.Authority, error) {
	path := c.certifying.site
	if path == "" {
		path = filepath.Join(c.dir, authorityFile)
	}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && c.certifying.site == "" {
		if err := c.mayMakeAuthority(path); err != nil {
			return nil, err
		}
		if err := makeAuthority(path, c.now()); err != nil && !errors.Is(err, fs.ErrExist) {
			return nil, fault.New("make authority", path, err)
		}
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, fault.New("read authority", path, err).WithHint("it takes a PEM file with the authority's certificate and its key (PKCS #8)")
	}
	a, err := trust.ParseAuthority(b)
	if err != nil && c.certifying.site != "" {
		return nil, fault.New("read authority", path, err).WithHint("it takes an authority that may certify clients and servers, under any name; one below the site's own root will do")
	}
	if err != nil {
		return nil, fault.New("read authority", path, err).WithHint("restore the file from where it was kept; with another authority every member has to be enrolled again")
	}
	return a, nil
}

// mayMakeAuthority refuses a new authority where members are of one before: none
// of them could come in any more. The members that a copy tells of are its
// source's.
func (c *Collector) mayMakeAuthority(path string) error {
	if c.copyOf != "" {
		return nil
	}
	changes, _, err := c.archive.Roll()
	if err != nil {
		return err
	}
	n := len(archive.InForceKeys(changes))
	if n == 0 {
		return nil
	}
	return fault.New("read authority", path, fmt.Errorf("it is not there, and members are certified by it (keys: %d)", n)).
		WithHint("put it back from where it was kept, or name the site's with --authority; if it is lost for good, one that collector serve makes in an empty folder will do: all members join again then, by the keys they have")
}

// makeAuthority links a whole file into place, so that of two processes that
// start at once both use the same.
func makeAuthority(path string, now time.Time) error {
	b, err := trust.NewAuthority(now)
	if err != nil {
		return err
	}
	f, err := durable.Create(path, 0o600)
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
