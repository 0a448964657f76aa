package collect

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

// serveOwner leaves an owner's identity in the folder while it is served, so that
// whoever may read the folder may ask its collector anything. The function that
// it gives takes it away again.
func (c *Collector) serveOwner(ctx context.Context, a *trust.Authority, address string) (func(), error) {
	id, err := c.makeOwner(a, address)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for t := time.NewTicker(time.Hour); ; {
			select {
			case <-ctx.Done():
				t.Stop()
				return
			case <-t.C:
			}
			if c.now().Before(id.RenewAt()) {
				continue
			}
			if next, err := c.makeOwner(a, address); err != nil {
				c.log.Error("the owner's identity is not renewed", "error", err)
			} else {
				id = next
			}
		}
	}()
	return func() {
		cancel()
		<-ended
		os.Remove(filepath.Join(c.dir, ownerFile))
	}, nil
}

func (c *Collector) makeOwner(a *trust.Authority, address string) (trust.Identity, error) {
	pub, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return trust.Identity{}, err
	}
	der, err := a.Issue(trust.Member{Role: trust.Owner, Name: "owner"}, pub, c.now())
	if err != nil {
		return trust.Identity{}, err
	}
	id, err := trust.NewIdentity(key, der, a.Certificate(), address)
	if err != nil {
		return id, err
	}
	b, err := id.Whole()
	if err == nil {
		err = durable.WriteFile(c.dir, ownerFile, b) // 0600
	}
	if err != nil {
		return id, fault.New("write the owner's identity", filepath.Join(c.dir, ownerFile), err)
	}
	return id, nil
}
