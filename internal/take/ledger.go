package take

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
)

// A line of the ledger; its fields depend on op:
//
//	take   a log is about to be made the run of that id: all fields
//	done   the run of that id is in the spool
//	same   the file at path, as it is, holds a log that was taken
//	theirs the file at path holds the log of that run, which the agent carried through
type ledgerLine struct {
	Op       string       `json:"op"`
	ID       string       `json:"id,omitempty"`
	SHA256   string       `json:"sha256,omitempty"`
	Path     string       `json:"path,omitempty"`
	Size     int64        `json:"size,omitempty"`
	Modified time.Time    `json:"modified,omitzero"`
	Span     *record.Span `json:"span,omitempty"`
	Number   int          `json:"number,omitempty"` // of the named span
	Remarks  []string     `json:"remarks,omitempty"`
	Earlier  string       `json:"earlier,omitempty"`
}

// taking is a log that is being made a run.
type taking struct {
	ID      string
	Sum     [sha256.Size]byte
	Path    string
	Span    record.Span
	Number  int // of the named span; 0 for none
	Remarks []string
	Earlier string // what of it was taken before; "" for nothing
}

// place is a file as it was when its log was taken.
type place struct {
	size     int64
	modified int64 // nanoseconds since 1970
	sum      [sha256.Size]byte
}

// runID is the id of a run, see record.NewID.
type runID [24]byte

// ledger is which logs were taken. It only grows, since a log may turn up again
// after years; so little is held in memory of a log that was made a run.
type ledger struct {
	journal *durable.Journal
	path    string
	undone  []*taking                   // whose runs are not in the spool, in the order they were begun
	taken   map[[sha256.Size]byte]runID // the last run of each log, by its bytes
	places  map[[16]byte]place          // by pathKey
}

func newLedger() *ledger {
	return &ledger{taken: map[[sha256.Size]byte]runID{}, places: map[[16]byte]place{}}
}

// pathKey stands for a path, which may be long.
func pathKey(path string) [16]byte {
	sum := sha256.Sum256([]byte(path))
	return [16]byte(sum[:])
}

// openLedger goes on with the ledger in the file at path, or begins it. It gives
// how many lines are damaged.
func openLedger(path string) (*ledger, int, error) {
	j, lines, err := durable.OpenJournal(path)
	if err != nil {
		return nil, 0, fault.New("open ledger of logs", path, err).WithHint("the agent must be able to write its state folder")
	}
	l := newLedger()
	l.journal, l.path = j, path
	return l, l.parse(lines), nil
}

// parse takes lines in, and gives how many of them tell nothing.
func (l *ledger) parse(lines [][]byte) (damaged int) {
	for _, text := range lines {
		var x ledgerLine
		if text == nil || json.Unmarshal(text, &x) != nil || !l.apply(x) {
			damaged++
		}
	}
	return damaged
}

// apply takes one line in; false when it tells nothing.
func (l *ledger) apply(x ledgerLine) bool {
	var sum [sha256.Size]byte
	n, err := hex.Decode(sum[:], []byte(x.SHA256[:min(len(x.SHA256), 2*len(sum))]))
	hashed := err == nil && n == len(sum) && len(x.SHA256) == 2*len(sum) && x.SHA256 == strings.ToLower(x.SHA256)
	switch x.Op {
	case "take":
		if !hashed || !record.ValidID(x.ID) || l.being(x.ID) != nil || l.taken[sum] == runID([]byte(x.ID)) || x.Span == nil || x.Path == "" || x.Size < 0 {
			return false
		}
		l.undone = append(l.undone, &taking{ID: x.ID, Sum: sum, Path: x.Path, Span: *x.Span, Number: x.Number, Remarks: x.Remarks, Earlier: x.Earlier})
		l.taken[sum] = runID([]byte(x.ID))
	case "done":
		t := l.being(x.ID)
		l.undone = slices.DeleteFunc(l.undone, func(u *taking) bool { return u == t })
		return t != nil
	case "same":
		if !hashed || x.Path == "" || !l.has(sum) {
			return false
		}
	case "theirs":
		if !hashed || x.Path == "" || !record.ValidID(x.ID) || l.being(x.ID) != nil {
			return false
		}
		l.taken[sum] = runID([]byte(x.ID))
	default:
		return false
	}
	l.places[pathKey(x.Path)] = place{x.Size, x.Modified.UnixNano(), sum}
	return true
}

// note writes a line, synced, and takes it in.
func (l *ledger) note(x ledgerLine) error {
	text, err := json.Marshal(x)
	if err == nil {
		err = l.journal.Append(text)
	}
	if err != nil {
		return fault.New("note taken log", l.path, err).WithHint("make room on the disk that holds the state folder; the log is taken then")
	}
	l.apply(x)
	return nil
}

// knows says whether the file at path is as it was when its log was taken, and
// the run made of it is in the spool.
func (l *ledger) knows(path string, size int64, modified time.Time) bool {
	p, ok := l.places[pathKey(path)]
	return ok && p.size == size && p.modified == modified.UnixNano() && l.unfinished(p.sum) == nil
}

// has says whether a log of these bytes was made a run, or is being made one.
func (l *ledger) has(sum [sha256.Size]byte) bool {
	_, ok := l.taken[sum]
	return ok
}

// being gives the log that is being made the run of that id; nil for none.
func (l *ledger) being(id string) *taking {
	return l.first(func(t *taking) bool { return t.ID == id })
}

// unfinished gives the log that was about to be made a run when the agent ended.
func (l *ledger) unfinished(sum [sha256.Size]byte) *taking {
	return l.first(func(t *taking) bool { return t.Sum == sum })
}

func (l *ledger) first(is func(*taking) bool) *taking {
	if i := slices.IndexFunc(l.undone, is); i >= 0 {
		return l.undone[i]
	}
	return nil
}

// grown gives the run of the log that was taken from the file before, and its
// size, when data begins with it.
func (l *ledger) grown(path string, data []byte) (run string, size int64, ok bool) {
	p, ok := l.places[pathKey(path)]
	if !ok || p.size >= int64(len(data)) || sha256.Sum256(data[:p.size]) != p.sum {
		return "", 0, false
	}
	id := l.taken[p.sum]
	return string(id[:]), p.size, true
}
