package trust

import (
	"crypto/ed25519"
	"encoding/hex"
)

// weak are the points of small order, without the bit of their sign and in every
// spelling that the verifier takes (RFC 8032 lets it be more lenient than its section
// 5.1.3). For a key that is one of them signatures can be made up without any secret,
// since its multiples are so few.
var weak = func() map[[ed25519.PublicKeySize]byte]bool {
	points := map[[ed25519.PublicKeySize]byte]bool{}
	for _, s := range []string{
		"0000000000000000000000000000000000000000000000000000000000000000", // order 4
		"0100000000000000000000000000000000000000000000000000000000000000", // the neutral one
		"26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05", // order 8
		"c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a", // order 8
		"ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f", // order 2
		"edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f", // order 4, beyond the prime
		"eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f", // the neutral one, beyond the prime
	} {
		b, err := hex.DecodeString(s)
		if err != nil {
			panic(err)
		}
		points[[ed25519.PublicKeySize]byte(b)] = true
	}
	return points
}()

// Weak says whether anybody can sign for a key, or it is none.
func Weak(key ed25519.PublicKey) bool {
	if len(key) != ed25519.PublicKeySize {
		return true
	}
	y := [ed25519.PublicKeySize]byte(key)
	y[len(y)-1] &^= 0x80
	return weak[y]
}
