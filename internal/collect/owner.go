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

// leaveWord leaves in the folder what commands on this machine need while it is served
// there: an owner's identity, with which whoever may read the folder may ask its
// collector anything, and the address. What a full disk does not take is left once
// there is room; the identity of the last time is not taken away before that, since
// on such a disk no other could be made. The function that it gives ends it.
func (c *Collector) leaveWord(ctx context.Context, a *trust.Authority, address string) (func(), error) {
	var id trust.Identity
	whole := false // whether the folder lacks nothing
	leave := func() error {
		whole = false
		if id.Due(c.now()) {
			next, err := c.makeOwner(a, address)
			if err != nil {
				return err
			}
			id = next
		}
		err := tell(filepath.Join(c.dir, addressFile), address)
		whole = err == nil
		return err
	}
	switch err := leave(); {
	case durable.Full(err):
		c.log.Warn("the disk is full; commands on this machine may have to name the address", "error", err)
	case err != nil:
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		t := time.NewTicker(wordEvery)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
			if whole && !id.Due(c.now()) {
				continue
			}
			had := whole
			if err := leave(); err != nil && had {
				c.log.Error("the owner's identity is not renewed yet", "error", err)
			}
		}
	}()
	return func() {
		cancel()
		<-ended
		os.Remove(filepath.Join(c.dir, addressFile))
	}, nil
}

// wordEvery is how often it is looked at whether the owner's identity is due.
const wordEvery = 10 * time.Second

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
