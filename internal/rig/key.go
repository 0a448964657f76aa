package rig

import (
	"cmp"
	"strings"
)

// Key names a fact or a signal: dotted words, of which one may carry an index in
// square brackets, as in memory.module[DIMM_A1].speed or link[0000:01:00.0].width.
type Key string

// Of returns the key prefix[index].field; field may be empty. Brackets and line
// breaks inside the index, which no kernel name needs, are replaced by "_".
func Of(prefix, index, field string) Key {
	index = strings.Map(func(r rune) rune {
		if r == '[' || r == ']' || r < ' ' {
			return '_'
		}
		return r
	}, strings.TrimSpace(index))
	k := prefix + "[" + index + "]"
	if field != "" {
		k += "." + field
	}
	return Key(k)
}

// Index returns the text between the brackets, or "" for a key without one.
func (k Key) Index() string {
	i, j := strings.IndexByte(string(k), '['), strings.LastIndexByte(string(k), ']')
	if i < 0 || j < i {
		return ""
	}
	return string(k[i+1 : j])
}

// Family returns the key as the catalogue writes it, with an emptied index:
// memory.module[].speed.
func (k Key) Family() Key {
	i, j := strings.IndexByte(string(k), '['), strings.LastIndexByte(string(k), ']')
	if i < 0 || j < i {
		return k
	}
	return k[:i+1] + k[j:]
}

// Field returns the last dotted word after the index or the dots.
func (k Key) Field() string {
	s := string(k)
	if j := strings.LastIndexByte(s, ']'); j >= 0 {
		s = s[j+1:]
	}
	return s[strings.LastIndexByte(s, '.')+1:]
}

// Compare orders keys so that numbers inside them count as numbers: cpu[2]
// before cpu[10]. A zero before other digits stands for itself, so that the
// hexadecimal parts of a device address keep their order.
func Compare(a, b Key) int {
	x, y := string(a), string(b)
	for x != "" && y != "" {
		if m, n := digits(x), digits(y); m > 0 && n > 0 && x[0] != '0' && y[0] != '0' {
			if c := cmp.Or(cmp.Compare(m, n), cmp.Compare(x[:m], y[:n])); c != 0 {
				return c
			}
			x, y = x[m:], y[n:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(string(a), string(b)))
}

// digits counts the decimal digits that s starts with.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}
