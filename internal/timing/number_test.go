package timing

import (
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// exactScaled is the oracle: the same rounding by rational arithmetic.
func exactScaled(t interface{ Fatalf(string, ...any) }, s string, unit int) (v *big.Int, exact bool) {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("no rational in %q", s)
	}
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(unit)), nil)
	r.Mul(r, new(big.Rat).SetInt(p))
	neg := r.Sign() < 0
	r.Abs(r)
	q, m := new(big.Int).QuoRem(r.Num(), r.Denom(), new(big.Int))
	exact = m.Sign() == 0
	switch m.Lsh(m, 1).Cmp(r.Denom()) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		q.Add(q, new(big.Int).And(q, big.NewInt(1)))
	}
	if neg {
		q.Neg(q)
	}
	return q, exact
}

func checkScaled(t interface{ Fatalf(string, ...any) }, s string, unit int) {
	n, rest, ok := scanNumber([]byte(s), '.')
	if !ok || len(rest) > 0 {
		t.Fatalf("%q: scanned %v, rest %q", s, ok, rest)
	}
	v, exact, fits := n.scaled(unit)
	want, wantExact := exactScaled(t, s, unit)
	symmetric := new(big.Int).Abs(want).IsInt64() // the least int64 has no positive
	if fits != symmetric {
		t.Fatalf("%q e%d: fits %v, value %s", s, unit, fits, want)
	}
	if fits && (want.Int64() != v || exact != wantExact) {
		t.Fatalf("%q e%d = %d exact %v, want %s exact %v", s, unit, v, exact, want, wantExact)
	}
}

func TestNumberEdges(t *testing.T) {
	for _, s := range []string{
		"0", "0.0", "-0", "16.683", "1.66e-2", "1.66E+1", ".5", "5.", "+7",
		"0.5", "1.5", "2.5", "0.50000000000000000000000001", "0.49999999999999999999999999",
		"9223372036854775807", "9223372036854775808", "-9223372036854775807",
		"9223372036854775807.5", "9223372036854775806.5", "9223372036854775807.49999",
		"9999999999999999999", "18446744073709551616", "0.016683300000000002",
		"10000000000000000000000e-20", "12345678901234567890123e-14", "1e19", "1e-19", "5e-20",
		"0.00000000000000000000000000001", "16.600000000000000000000000000000000000",
		"1234567890123456789.5", "1234567890123456788.5", "99999999999999999995e-1",
	} {
		for _, u := range []int{0, 3, 6, 9} {
			checkScaled(t, s, u)
		}
	}
}

func TestNumberAgainstRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom([]string{"", "-", "+"}).Draw(t, "sign")
		s += rapid.StringMatching(`[0-9]{1,24}`).Draw(t, "whole")
		if rapid.Bool().Draw(t, "fraction") {
			s += "." + rapid.OneOf(rapid.StringMatching(`[0-9]{0,30}`), rapid.StringMatching(`[0-9]{0,9}50{0,20}[01]?`)).Draw(t, "digits")
		}
		if rapid.Bool().Draw(t, "exponent") {
			s += fmt.Sprintf("e%d", rapid.IntRange(-40, 25).Draw(t, "e"))
		}
		checkScaled(t, s, rapid.SampledFrom([]int{0, 3, 6, 9}).Draw(t, "unit"))
	})
}

func TestNumberRejects(t *testing.T) {
	for _, s := range []string{"", "-", ".", "-.", "e5", "NaN", "inf", "x1", " 1", "--1"} {
		if n, rest, ok := scanNumber([]byte(s), '.'); ok {
			t.Errorf("%q read as %+v, rest %q", s, n, rest)
		}
	}
	for s, left := range map[string]string{"1x": "x", "1e": "e", "1e+": "e+", "1.2.3": ".3", "16.6 ms": " ms", "1,5": ",5", "0x10": "x10"} {
		if _, rest, ok := scanNumber([]byte(s), '.'); !ok || string(rest) != left {
			t.Errorf("%q left %q, want %q", s, rest, left)
		}
	}
	huge := strings.Repeat("9", 5000) + "e" + strings.Repeat("9", 5000)
	if n, _, ok := scanNumber([]byte(huge), '.'); !ok {
		t.Error("a long number is a number")
	} else if _, _, fits := n.scaled(9); fits {
		t.Error("a long number fits")
	}
	tiny, _, _ := scanNumber([]byte("1e-"+strings.Repeat("9", 40)), '.')
	if v, exact, ok := tiny.scaled(9); v != 0 || exact || !ok {
		t.Errorf("a tiny number is %d exact %v ok %v", v, exact, ok)
	}
}
