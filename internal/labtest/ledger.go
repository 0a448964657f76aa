package labtest

import (
	"fmt"
	"os"
	"strings"
)

// Ledger is where a process that may be killed at any moment writes down what
// it is about to do and what it has done, so that a test knows afterwards what
// must exist. Each entry is one line of words, on the disk when Write returns.
type Ledger struct{ f *os.File }

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
	if _, err := l.f.WriteString(strings.TrimSpace(fmt.Sprintln(words...)) + "\n"); err != nil {
		return err
	}
	_, err := fmt.Println(words[0])
	return err
}

// Close closes the file.
func (l *Ledger) Close() error { return l.f.Close() }

// ReadLedger gives the entries of a ledger in order; a last line that was not
// finished is left out.
func ReadLedger(path string) ([][]string, error) {
	b, err := os.ReadFile(path)
	if os.IsNotExist(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var entries [][]string
	lines := strings.Split(string(b), "\n")
	for _, line := range lines[:len(lines)-1] {
		entries = append(entries, strings.Fields(line))
	}
	return entries, nil
}
