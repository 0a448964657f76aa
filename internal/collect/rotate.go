package collect

import (
	"context"
	"crypto/ed25519"

	"witnessmark/internal/enrol"
	"witnessmark/internal/trust"
)

// Rotate implements enrol.Clerk.
func (c *Collector) Rotate(ctx context.Context, request, signature []byte) (enrol.Certified, error) {
	p, ok := trust.PeerOf(ctx)
	if !ok || !p.Role.Joins() {
		return enrol.Certified{}, trust.Deny(noRight, "there is no key to rotate")
	}
	if err := c.mayKeep(); err != nil {
		return enrol.Certified{}, err
	}
	m, key, err := trust.ParseRequest(request)
	switch {
	case err != nil:
		return enrol.Certified{}, trust.Deny("malformed", "%v", err)
	case m != p.Member:
		return enrol.Certified{}, trust.Deny(trust.OfAnother, "the new key is for %s, and %s asks", m, p.Member)
	}
	chain, err := c.certify(m, key)
	if err != nil {
		return enrol.Certified{}, err
	}
	k, err := c.archive.Rotate(m, p.Key, key, signature, chain)
	if err != nil {
		return enrol.Certified{}, err
	}
	c.rollMoved(ctx) // whoever else has a person's earlier key is out at once
	if chain, err = c.lastOf(key, chain); err != nil {
		return enrol.Certified{}, err
	}
	c.log.Info("key rotated", "role", m.Role, "name", m.Name, "index", k.Index)
	c.noteHead()
	return handed(chain), nil
}

// lastOf gives the certificate that was kept of a key: the new one, or that of an
// earlier time when its rotation was asked for, if that has not ended.
func (c *Collector) lastOf(key ed25519.PublicKey, made trust.Chain) (trust.Chain, error) {
	had, err := c.archive.Certificates(key)
	if err != nil {
		return made, err
	}
	if len(had) > 0 && had[0].Leaf.NotAfter.After(c.now()) && trust.FingerprintOf(had[0].Authority) == trust.FingerprintOf(made.Authority) {
		return had[0].Chain, nil
	}
	m, _, err := made.Binds()
	if err == nil {
		err = c.archive.AddCertificate(m, key, made)
	}
	return made, err
}
