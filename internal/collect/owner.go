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

// word is what commands on this machine need while a folder is served there: an
// owner's identity, with which whoever may read the folder may ask its collector
// anything, and the address.
type word struct {
	c         *Collector
	authority *trust.Authority
	address   string
	owner     trust.Identity // none before it lies there
	told      bool           // the address lies there
}

// leave leaves what does not lie there yet, and a new identity when it is time.
func (w *word) leave() error {
	if w.owner.Due(w.c.now()) {
		id, err := w.c.makeOwner(w.authority, w.address)
		if err != nil {
			return err
		}
		w.owner = id
	}
	if w.told {
		return nil
	}
	err := tell(filepath.Join(w.c.dir, addressFile), w.address)
	w.told = err == nil
	return err
}

// leaveWord leaves word in the folder. What a full disk does not take is left once
// there is room; the identity of the last time is not taken away before that, since
// on such a disk no other could be made. The function that it gives ends it.
func (c *Collector) leaveWord(ctx context.Context, a *trust.Authority, address string) (func(), error) {
	w := &word{c: c, authority: a, address: address}
	err := w.leave()
	switch {
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
			last := err
			if err = w.leave(); err != nil && last == nil {
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

// wordEvery is how often it is looked at whether something is to be left.
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
