package screen

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestClean(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"memory-rated", "memory-rated"},
		{"Größe 3 µs", "Größe 3 µs"},
		{"red\x1b[31m", `red\x1b[31m`},
		{"two\nlines\tand\r", "two lines and "},
		{"nul\x00", `nul\x00`},
		{"\u202eright", `\u202eright`},
		{"bad \xff byte", `bad \xff byte`},
		{"said \uFFFD", `said \ufffd`},
		{"\u0085next", `\u0085next`},
	} {
		if got := Clean(c.in); got != c.want {
			t.Errorf("Clean(%q) = %q, want %q", c.in, got, c.want)
		}
	}
}

// What is cleaned is valid, obeyed by no terminal, and clean.
func FuzzClean(f *testing.F) {
	f.Add("a\x1b]0;title\x07b\u202e\xff\n")
	f.Fuzz(func(t *testing.T, s string) {
		got := Clean(s)
		if !utf8.ValidString(got) || strings.ContainsFunc(got, unicode.IsControl) || strings.ContainsFunc(got, func(r rune) bool { return unicode.Is(unicode.Bidi_Control, r) }) {
			t.Fatalf("Clean(%q) = %q", s, got)
		}
		if again := Clean(got); again != got {
			t.Fatalf("Clean(%q) = %q, cleaned again %q", s, got, again)
		}
	})
}

func TestColumns(t *testing.T) {
	for s, want := range map[string]int{"": 0, "abc": 3, "é": 1, "e\u0301": 1, "天球": 4, "°C": 2} {
		if got := columns(s); got != want {
			t.Errorf("columns(%q) = %d, want %d", s, got, want)
		}
	}
}

// Wrapping keeps every letter and its order, and every line within the width.
func FuzzWrap(f *testing.F) {
	f.Add("the modules are rated for more; a firmware reset leaves memory at its default", 20)
	f.Add("天球天球 e\u0301e\u0301e\u0301", 3)
	f.Fuzz(func(t *testing.T, s string, width int) {
		s = Clean(s)
		if width < 2 || width > 200 {
			return
		}
		lines := wrap(s, width)
		for _, l := range lines {
			if columns(l) > width {
				t.Fatalf("wrap(%q, %d): line %q has %d columns", s, width, l, columns(l))
			}
		}
		if got, want := letters(strings.Join(lines, " ")), letters(s); got != want {
			t.Fatalf("wrap(%q, %d) keeps %q", s, width, got)
		}
	})
}

func letters(s string) string { return strings.Join(strings.Fields(s), "") }
