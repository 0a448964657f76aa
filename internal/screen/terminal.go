package screen

import (
	"io"
	"os"

	"golang.org/x/term"
)

// IsTerminal says whether somebody watches what w is given.
func IsTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// Width is how many columns w has, 0 when it is no terminal and lines may be of
// any length.
func Width(w io.Writer) int {
	if !IsTerminal(w) {
		return 0
	}
	n, _, err := term.GetSize(int(w.(*os.File).Fd()))
	if err != nil || n < 20 {
		return 80
	}
	return n
}

// coloured says whether colours reach a person's eye: see https://no-color.org
// for the variable.
func coloured(w io.Writer) bool {
	return IsTerminal(w) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb" && takesColours(w.(*os.File))
}

// tints repeat what a word says; no word is without its text.
var tints = map[string]string{
	"void": "\x1b[31;1m", "caution": "\x1b[33m", "clean": "\x1b[32m", "unread": "\x1b[33m",
}

const untint = "\x1b[0m"
