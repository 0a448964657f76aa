package screen

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Clean spells out what a terminal would obey: control characters, invalid
// bytes, and the marks that turn the direction of writing. Line breaks and tabs
// become single spaces.
func Clean(s string) string {
	if !strings.ContainsFunc(s, hostile) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			b.WriteByte(' ')
		case r == utf8.RuneError && n == 1, r < 0x20, r == 0x7f:
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case hostile(r):
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
		i += n
	}
	return b.String()
}

func hostile(r rune) bool {
	return r == utf8.RuneError || unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029'
}

// columns counts the columns that a clean text takes.
func columns(s string) (n int) {
	for _, r := range s {
		n += runeColumns(r)
	}
	return n
}

// runeColumns follows the East Asian Width classes W and F of Unicode (UAX #11)
// by their large blocks; combining marks take no room.
func runeColumns(r rune) int {
	switch {
	case r < 0x300:
		return 1
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case r >= 0x1100 && r <= 0x115f, r >= 0x2e80 && r <= 0xa4cf && r != 0x303f, r >= 0xac00 && r <= 0xd7a3,
		r >= 0xf900 && r <= 0xfaff, r >= 0xfe30 && r <= 0xfe6f, r >= 0xff00 && r <= 0xff60, r >= 0xffe0 && r <= 0xffe6,
		r >= 0x1f300 && r <= 0x1f64f, r >= 0x1f900 && r <= 0x1f9ff, r >= 0x20000 && r <= 0x3fffd:
		return 2
	}
	return 1
}

// wrap breaks a clean text at spaces into lines of at most width columns; a
// longer word is cut. A width below one keeps it whole.
func wrap(s string, width int) []string {
	if width < 1 || columns(s) <= width {
		return []string{s}
	}
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		switch {
		case line == "":
			line = word
		case columns(line)+1+columns(word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
		for columns(line) > width {
			head := cut(line, width)
			lines, line = append(lines, head), line[len(head):]
		}
	}
	return append(lines, line)
}

// cut gives the longest beginning of s that fits, at least one rune.
func cut(s string, width int) string {
	n := 0
	for i, r := range s {
		if n += runeColumns(r); n > width && i > 0 {
			return s[:i]
		}
	}
	return s
}
