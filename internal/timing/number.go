package timing

import "math"

// number is a decimal as written: mant * 10^exp, with mant the first 19
// significant digits. Digits past those only matter for rounding.
type number struct {
	mant  uint64
	exp   int32
	neg   bool
	whole bool // neither decimal mark nor exponent was written
	tail  tail // what the digits past mant come to
}

// tail compares the digits past mant with half a unit of mant's last digit.
type tail byte

const (
	tailZero tail = iota
	tailBelow
	tailHalf
	tailAbove
)

// mantDigits is how many digits always fit a uint64.
const mantDigits = 19

// scanNumber reads [+-]digits[dec digits][e[+-]digits] from the start of b and
// gives what follows it. ok is false when b does not start with a number.
func scanNumber(b []byte, dec byte) (n number, rest []byte, ok bool) {
	i, digits, kept, past := 0, 0, 0, 0
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		n.neg = b[0] == '-'
		i++
	}
	n.whole = true
	for ; i < len(b); i++ {
		c := b[i] - '0'
		if c > 9 {
			if b[i] != dec || !n.whole {
				break
			}
			n.whole = false
			continue
		}
		digits++
		if kept == mantDigits {
			n.tail = n.tail.add(c, past == 0)
			past++
			if n.whole {
				n.exp++
			}
			continue
		}
		if n.mant != 0 || c != 0 {
			kept++
		}
		n.mant = n.mant*10 + uint64(c)
		if !n.whole {
			n.exp--
		}
	}
	if digits == 0 {
		return n, b, false
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		if e, size := scanExponent(b[i+1:]); size > 0 {
			n.exp += e
			n.whole = false
			i += 1 + size
		}
	}
	return n, b[i:], true
}

// add takes the next digit past mant into account.
func (t tail) add(digit byte, first bool) tail {
	switch {
	case first && digit == 5:
		return tailHalf
	case first && digit > 5:
		return tailAbove
	case digit == 0:
		return t
	case t == tailZero:
		return tailBelow
	case t == tailHalf:
		return tailAbove
	}
	return t
}

// exponentLimit bounds a written exponent so that no later sum overflows; a
// number past it is out of range or nothing at any unit.
const exponentLimit = 1 << 20

// scanExponent reads [+-]digits; size 0 means there is none.
func scanExponent(b []byte) (e int32, size int) {
	i := 0
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		i++
	}
	start := i
	for ; i < len(b) && b[i] >= '0' && b[i] <= '9'; i++ {
		if e < exponentLimit {
			e = e*10 + int32(b[i]-'0')
		}
	}
	if i == start {
		return 0, 0
	}
	if e = min(e, exponentLimit); b[0] == '-' {
		e = -e
	}
	return e, i
}

var pow10 = func() (p [mantDigits + 1]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// scaled gives the number times 10^unit as an integer, rounded half to even.
// exact is false when rounding changed it, ok is false when it does not fit an
// int64.
func (n *number) scaled(unit int) (v int64, exact, ok bool) {
	e := int(n.exp) + unit
	q, t := n.mant, n.tail
	switch {
	case n.mant == 0:
		return 0, true, true
	case e > 0:
		if e >= len(pow10) || t != tailZero || q > math.MaxInt64/pow10[e] {
			return 0, false, false
		}
		q *= pow10[e]
	case e < 0 && -e >= len(pow10):
		q, t = 0, tailBelow
	case e < 0:
		p := pow10[-e]
		r := q % p
		q /= p
		t = divided(r, p/2, t)
	}
	if t == tailAbove || t == tailHalf && q&1 == 1 {
		q++
	}
	if q > math.MaxInt64 {
		return 0, false, false
	}
	if v = int64(q); n.neg {
		v = -v
	}
	return v, t == tailZero, true
}

// divided is the tail left by a division with remainder r, half the divisor and
// the tail there was before.
func divided(r, half uint64, t tail) tail {
	switch {
	case r > half, r == half && t != tailZero:
		return tailAbove
	case r == half:
		return tailHalf
	case r == 0 && t == tailZero:
		return tailZero
	}
	return tailBelow
}
