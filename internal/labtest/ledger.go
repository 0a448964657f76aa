package labtest

import (
	"fmt"
	"os"
	"strings"
)

// Ledger is where a process that may be killed at any moment writes down what
// it is about to do and what it has done, so that a test knows afterwards what
// must exist. Each entry is one line of words, on the disk when Write returns.
//
// A line in which the process is killed can be cut off, where it goes over from one page
// of the file to the next. Therefore each begins on a line of its own, whatever is before
// it, and ends with a word that says that it is whole.
type Ledger struct{ f *os.File }

// whole ends an entry.
const whole = "."

// OpenLedger goes on with the ledger at path, or begins it.
func OpenLedger(path string) (*Ledger, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	return &Ledger{f}, nil
}

// Write adds an entry. The words must hold no blanks.
func (l *Ledger) Write(words ...any) error {
	if err := l.Note(words...); err != nil {
		return err
	}
	return l.f.Sync()
}

// Note adds an entry that survives the process and not the machine. The entry's
// first word is printed too, for whoever waits to kill the process.
func (l *Ledger) Note(words ...any) error {
	if _, err := l.f.WriteString("\n" + strings.TrimSpace(fmt.Sprintln(words...)) + " " + whole + "\n"); err != nil {
		return err
	}
	_, err := fmt.Println(words[0])
	return err
}

// Close closes the file.
func (l *Ledger) Close() error { return l.f.Close() }

// ReadLedger gives the entries of a ledger in order; what was not finished is left out.
func ReadLedger(path string) ([][]string, error) {
	b, err := os.ReadFile(path)
	if os.IsNotExist(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var entries [][]string
	for line := range strings.Lines(string(b)) {
		if words, ok := strings.CutSuffix(line, " "+whole+"\n"); ok {
			entries = append(entries, strings.Fields(words))
		}
	}
	return entries, nil
}
