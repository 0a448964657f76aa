package screen

import (
	"bufio"
	"crypto/ed25519"
	"fmt"
	"io"
	"strings"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/trust"
)

// Token reads a join token from a flag, or for "-" from one line of in, which
// keeps it out of the list of processes. It must be for one of the roles.
func Token(in io.Reader, flag, instead string, roles ...trust.Role) (trust.Token, error) {
	if flag == "-" {
		line, err := bufio.NewReader(io.LimitReader(in, 1<<10)).ReadString('\n')
		if err != nil && err != io.EOF {
			return trust.Token{}, err
		}
		flag = line
	}
	t, err := trust.ParseToken(strings.TrimSpace(flag))
	if err != nil {
		return t, Misuse("paste it as collector token printed it, in one word that begins with wmt1_", "--token: %v", err)
	}
	for _, r := range roles {
		if t.Role == r {
			return t, nil
		}
	}
	return t, Misuse(instead, "--token: it is for %s", t.Member)
}

// Enrolled prints who somebody is from now on.
func Enrolled(w io.Writer, id trust.Identity, asJSON bool) error {
	if asJSON {
		return JSON(w, struct {
			Role      trust.Role `json:"role"`
			Name      string     `json:"name"`
			Collector string     `json:"collector"`
			Authority string     `json:"authority_sha256"`
			Until     time.Time  `json:"until"`
		}{id.Role, id.Name, id.Collector, trust.FingerprintOf(id.Authority).String(), id.Leaf.NotAfter})
	}
	_, err := fmt.Fprintf(w, "enrolled as %s at %s; the certificate lasts until %s and renews itself\n",
		Clean(id.Member.String()), Clean(id.Collector), id.Leaf.NotAfter.Local().Format("2006-01-02"))
	return err
}

// Rekeyed prints with which key somebody is a member from now on, for each collector.
func Rekeyed(w io.Writer, ids []trust.Identity, asJSON bool) error {
	key := func(id trust.Identity) string { return record.Fingerprint(id.Key.Public().(ed25519.PublicKey)) }
	if asJSON {
		list := NewList(w, "collectors")
		for _, id := range ids {
			list.Add(struct {
				Collector string     `json:"collector"`
				Role      trust.Role `json:"role"`
				Name      string     `json:"name"`
				Key       string     `json:"key"`
				Until     time.Time  `json:"until"`
			}{id.Collector, id.Role, id.Name, key(id), id.Leaf.NotAfter})
		}
		return list.End(nil)
	}
	for _, id := range ids {
		if _, err := fmt.Fprintf(w, "%s at %s has key %s from now on\n", Clean(id.Member.String()), Clean(id.Collector), key(id)); err != nil {
			return err
		}
	}
	return nil
}
