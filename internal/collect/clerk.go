package collect

import (
	"context"
	"crypto/ed25519"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"witnessmark/internal/archive"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/trust"
)

var _ enrol.Clerk = (*Collector)(nil)

// roll is whose keys are good at present, as the archive says.
type roll struct {
	mu   sync.RWMutex
	keys map[string]entry // by key; nil until it is read
}

type entry struct {
	archive.KeyChange
	revoked *archive.KeyChange
	after   *archive.KeyChange // another key that came after it
}

// forget has the roll read again when it is next needed.
func (r *roll) forget() {
	r.mu.Lock()
	r.keys = nil
	r.mu.Unlock()
}

func (c *Collector) entryOf(key ed25519.PublicKey) (entry, bool, error) {
	c.roll.mu.RLock()
	keys := c.roll.keys
	c.roll.mu.RUnlock()
	if keys == nil {
		var err error
		if keys, err = c.readRoll(); err != nil {
			return entry{}, false, err
		}
	}
	e, ok := keys[string(key)]
	return e, ok, nil
}

func (c *Collector) readRoll() (map[string]entry, error) {
	c.roll.mu.Lock()
	defer c.roll.mu.Unlock()
	changes, _, err := c.archive.Roll()
	if err != nil {
		return nil, err
	}
	keys := map[string]entry{}
	for _, k := range changes {
		if k.Revoked {
			e := keys[string(k.Key)]
			e.revoked = &k
			keys[string(k.Key)] = e
			continue
		}
		keys[string(k.Key)] = entry{KeyChange: k}
		if before, ok := keys[string(k.Before)]; ok {
			before.after = &k
			keys[string(k.Before)] = before
		}
	}
	c.roll.keys = keys
	return keys, nil
}

// good refuses a key that is not, or not any more, admitted for m.
func (c *Collector) good(key ed25519.PublicKey, m trust.Member) error {
	e, ok, err := c.entryOf(key)
	switch {
	case err != nil:
		return err
	case !ok || e.Member() != m:
		return trust.Deny(keyNobody, "the key is not one that was admitted for %s", m)
	case e.revoked != nil:
		return trust.Deny(keyGone, "the key of %s was revoked on %s: %s", m, e.revoked.At.Format(time.RFC3339), e.revoked.Why)
	}
	return nil
}

// latest refuses a key of a person or a witness that another came after: nothing that
// it has signed waits to be brought, as with a rig, and whoever else has it is out.
func (c *Collector) latest(ctx context.Context, p trust.Peer) error {
	next, err := c.after(p)
	if err != nil || next == nil {
		return err
	}
	return c.ended(ctx, trust.Deny(archive.KeySucceeded, "another key of %s came after this one on %s", p.Member, next.At.Format(time.RFC3339)))
}

// ended refuses a call with a key that has ended. A connection of before is closed for
// it, so that who has the later key comes back with that; who comes back without is told
// why, whatever the clock has done meanwhile.
func (c *Collector) ended(ctx context.Context, why error) error {
	if m, ok := metBy(ctx); ok && m.good {
		c.door.shut(ctx)
		return status.Errorf(codes.Unavailable, "the connection is of before: %v", why)
	}
	return why
}

// after gives the key that came after the one of a person or a witness; nil where none
// did, and for a rig, whose earlier keys stay good.
func (c *Collector) after(p trust.Peer) (*archive.KeyChange, error) {
	e, _, err := c.entryOf(p.Key)
	if err != nil || p.Role == trust.Rig || p.Role == trust.Owner {
		return nil, err
	}
	return e.after, nil
}

func metBy(ctx context.Context) (m met, ok bool) {
	if p, has := peer.FromContext(ctx); has {
		m, ok = p.AuthInfo.(met)
	}
	return m, ok
}

// Admits implements deliver.Taker: a rig brings what a key of its own has signed,
// be it an earlier one.
func (c *Collector) Admits(ctx context.Context, key ed25519.PublicKey) error {
	p, ok := trust.PeerOf(ctx)
	if !ok || p.Role == trust.Owner {
		return nil
	}
	err := c.good(key, p.Member)
	if r := (*trust.Refusal)(nil); errors.As(err, &r) {
		return trust.Deny(r.Reason, "the record's signature: %s", r.Why)
	}
	return err
}

// Join implements enrol.Clerk.
func (c *Collector) Join(ctx context.Context, secret trust.Secret, request []byte) (enrol.Certified, error) {
	if err := c.mayKeep(); err != nil {
		return enrol.Certified{}, err
	}
	m, key, err := trust.ParseRequest(request)
	if err != nil {
		return enrol.Certified{}, trust.Deny("malformed", "%v", err)
	}
	chain, err := c.certify(m, key) // of no use to anybody until the token is spent
	if err != nil {
		return enrol.Certified{}, err
	}
	k, err := c.archive.Join(secret.Hash(), m, key, chain)
	if err != nil {
		return enrol.Certified{}, err
	}
	c.rollMoved(ctx) // who has a lost key is out at once
	c.log.Info("member joined", "role", m.Role, "name", m.Name, "by", k.By, "index", k.Index, "lost", len(k.Lost))
	c.noteHead()
	return handed(chain), nil
}

func (c *Collector) certify(m trust.Member, key ed25519.PublicKey) (trust.Chain, error) {
	a, err := c.authority()
	if err != nil {
		return trust.Chain{}, err
	}
	der, err := a.Issue(m, key, c.now())
	var chain trust.Chain
	if err == nil {
		chain, err = trust.NewChain(der, a.Certificate())
	}
	if err != nil {
		return trust.Chain{}, fault.New("certify", m.String(), err)
	}
	return chain, nil
}

func handed(c trust.Chain) enrol.Certified {
	return enrol.Certified{Leaf: c.Leaf.Raw, Authority: c.Authority.Raw}
}

// Renew implements enrol.Clerk.
func (c *Collector) Renew(ctx context.Context) (enrol.Certified, error) {
	p, ok := trust.PeerOf(ctx)
	if !ok || !p.Role.Joins() {
		return enrol.Certified{}, trust.Deny(noRight, "there is no certificate to renew")
	}
	chain, err := c.renewedOften(p.Key)
	if err == nil && chain.None() {
		chain, err = c.renew(p.Member, p.Key)
	}
	if err != nil {
		return enrol.Certified{}, err
	}
	return handed(chain), nil
}

func (c *Collector) renew(m trust.Member, key ed25519.PublicKey) (trust.Chain, error) {
	chain, err := c.certify(m, key)
	if err != nil || c.copyOf != "" { // a copy keeps what its source has, and no more
		return chain, err
	}
	if err = c.mayKeep(); err == nil {
		err = c.archive.AddCertificate(m, key, chain)
	}
	if err != nil {
		return trust.Chain{}, err
	}
	c.log.Info("certificate renewed", "role", m.Role, "name", m.Name)
	c.noteHead()
	return chain, nil
}

// renewals is how many certificates a key gets in a day, since each is kept: a
// design choice. One is needed in two months.
const renewals = 8

// renewedOften gives the last certificate of a key that has asked for too many.
func (c *Collector) renewedOften(key ed25519.PublicKey) (trust.Chain, error) {
	had, err := c.archive.Certificates(key)
	a, err2 := c.authority()
	if err = errors.Join(err, err2); err != nil || len(had) < renewals {
		return trust.Chain{}, err
	}
	today := c.now().Add(-24 * time.Hour)
	if had[renewals-1].At.Before(today) || trust.FingerprintOf(had[0].Authority) != a.Fingerprint() || had[0].Leaf.NotAfter.Before(c.now()) {
		return trust.Chain{}, nil
	}
	return had[0].Chain, nil
}

// IssueToken implements enrol.Clerk.
func (c *Collector) IssueToken(ctx context.Context, w enrol.Wanted) (enrol.Issued, error) {
	if p, ok := trust.PeerOf(ctx); ok && p.Role == trust.Keeper && w.Lost != "" && w.Word == nil {
		if p.Member == w.Member {
			return enrol.Issued{}, trust.Deny(archive.KeyNotLost, "a key that is shown is not lost: change it with collector login --rekey, or have another keeper say that it is")
		}
		return enrol.Issued{}, trust.Deny(wordMissing, "a keeper who says that keys are lost signs that, and nothing signed came")
	}
	if c.archive.ReadOnly() {
		return enrol.Issued{}, fault.New("make token", w.Member.String(), archive.ErrReadOnly).
			WithHint("a copy makes none, so ask the collector that it follows; beside an archive that is no copy put the key of its trail")
	}
	a, err := c.authority()
	if err != nil {
		return enrol.Issued{}, err
	}
	t, err := trust.NewToken(w.Member, a.Fingerprint())
	if err != nil {
		return enrol.Issued{}, err
	}
	now := c.now().UTC()
	kept := archive.JoinToken{Member: w.Member, By: deciding(ctx, w.By), Made: now, Expires: now.Add(w.Life), Lost: w.Lost, Keys: w.Keys, Word: w.Word}
	issued, hash := enrol.Issued{Token: t.String(), Expires: kept.Expires, Authority: t.Authority}, t.Secret.Hash()
	if w.Word != nil { // of a secret that never comes here
		issued.Token, hash = "", w.Word.Token
	}
	if err := c.archive.AddToken(hash, kept); err != nil {
		return enrol.Issued{}, err
	}
	c.log.Info("token made", "role", w.Role, "name", w.Name, "by", kept.By, "until", kept.Expires, "lost", w.Lost, "signed", w.Word != nil)
	return issued, nil
}

// deciding is who decides something: a keeper whose certificate says so, and in
// the collector's own folder whoever the system says.
func deciding(ctx context.Context, by string) string {
	if p, ok := trust.PeerOf(ctx); ok && p.Role == trust.Keeper {
		return p.Name
	}
	return by
}

// Members implements enrol.Clerk.
func (c *Collector) Members(context.Context) (enrol.Roll, error) {
	changes, tokens, err := c.archive.Roll()
	if err != nil {
		return enrol.Roll{}, err
	}
	all := map[string]*enrol.Summary{}
	of := func(m trust.Member) *enrol.Summary {
		if all[m.Name] == nil {
			all[m.Name] = &enrol.Summary{Member: m}
		}
		return all[m.Name]
	}
	for _, k := range changes {
		if !k.Revoked {
			s := of(k.Member())
			key := enrol.Key{Key: k.Key, Admitted: k.At, By: k.By, Index: k.Index, Before: k.Before, Lost: k.Why, LostKeys: k.Lost}
			if k.Word != nil {
				key.Signer = k.Word.Key
			}
			s.Keys = append(s.Keys, key)
			continue
		}
		for i, o := range all[k.Name].Keys {
			if k.Key.Equal(ed25519.PublicKey(o.Key)) {
				all[k.Name].Keys[i].Revoked = &enrol.Revocation{At: k.At, By: k.By, Why: k.Why, Index: k.Index}
			}
		}
	}
	now := c.now()
	for _, t := range tokens {
		if t.Used.IsZero() && t.Expires.After(now) {
			if s := of(t.Member); t.Expires.After(s.TokenUntil) {
				s.TokenUntil = t.Expires
			}
		}
	}
	out := enrol.Roll{Trail: c.archive.Origin()}
	for _, s := range all {
		out.Members = append(out.Members, *s)
	}
	slices.SortFunc(out.Members, func(a, b enrol.Summary) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// Revoke implements enrol.Clerk.
func (c *Collector) Revoke(ctx context.Context, name, by, why string) (int, error) {
	if err := c.mayKeep(); err != nil {
		return 0, err
	}
	by = deciding(ctx, by)
	gone, err := c.archive.Revoke(name, by, why)
	if errors.Is(err, archive.ErrNotFound) {
		err = sentinel{err, enrol.ErrNotFound}
	}
	if err != nil {
		return 0, err
	}
	c.roll.forget()
	closed := c.guests.leave(name)
	c.log.Info("member revoked", "name", name, "keys", len(gone), "connections", closed, "by", by, "why", why)
	c.noteHead()
	return len(gone), nil
}
