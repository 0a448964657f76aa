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

// taking is a log that was or is being made a run.
type taking struct {
	ID      string
	Sum     [sha256.Size]byte
	Path    string
	Size    int64
	Span    record.Span
	Number  int // of the named span; 0 for none
	Remarks []string
	Earlier string // what of it was taken before; "" for nothing
	Done    bool
}

// place is a file as it was when its log was taken.
type place struct {
	size     int64
	modified int64 // nanoseconds since 1970
	sum      [sha256.Size]byte
}

// ledger is which logs were taken. It only grows, since a log may turn up again
// after years.
type ledger struct {
	journal *durable.Journal
	path    string
	bySum   map[[sha256.Size]byte][]*taking // in the order they were taken
	byID    map[string]*taking
	places  map[string]place // by path
}

func newLedger() *ledger {
	return &ledger{bySum: map[[sha256.Size]byte][]*taking{}, byID: map[string]*taking{}, places: map[string]place{}}
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
		if !hashed || !record.ValidID(x.ID) || l.byID[x.ID] != nil || x.Span == nil || x.Path == "" || x.Size < 0 {
			return false
		}
		t := &taking{ID: x.ID, Sum: sum, Path: x.Path, Size: x.Size, Span: *x.Span, Number: x.Number, Remarks: x.Remarks, Earlier: x.Earlier}
		l.byID[x.ID] = t
		l.bySum[sum] = append(l.bySum[sum], t)
	case "done":
		t := l.byID[x.ID]
		if t == nil {
			return false
		}
		t.Done, t.Span, t.Remarks = true, record.Span{}, nil // the record has them
		return true
	case "same":
		if !hashed || x.Path == "" || l.bySum[sum] == nil {
			return false
		}
	case "theirs":
		if !hashed || x.Path == "" || !record.ValidID(x.ID) || l.byID[x.ID] != nil && l.byID[x.ID].Sum != sum {
			return false
		}
		if l.byID[x.ID] == nil {
			t := &taking{ID: x.ID, Sum: sum, Path: x.Path, Size: x.Size, Done: true}
			l.byID[x.ID] = t
			l.bySum[sum] = append(l.bySum[sum], t)
		}
	default:
		return false
	}
	l.places[x.Path] = place{x.Size, x.Modified.UnixNano(), sum}
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
	p, ok := l.places[path]
	return ok && p.size == size && p.modified == modified.UnixNano() && !slices.ContainsFunc(l.bySum[p.sum], undone)
}

func undone(t *taking) bool { return !t.Done }

// unfinished gives the log that was about to be made a run when the agent ended.
func (l *ledger) unfinished(sum [sha256.Size]byte) *taking {
	if i := slices.IndexFunc(l.bySum[sum], undone); i >= 0 {
		return l.bySum[sum][i]
	}
	return nil
}

// open gives all those.
func (l *ledger) open() (all []*taking) {
	for _, ts := range l.bySum {
		for _, t := range ts {
			if !t.Done {
				all = append(all, t)
			}
		}
	}
	return all
}

// grown finds the longest log that was taken and that data begins with.
func (l *ledger) grown(path string, data []byte) *taking {
	p, ok := l.places[path]
	if !ok || p.size >= int64(len(data)) || sha256.Sum256(data[:p.size]) != p.sum {
		return nil
	}
	ts := l.bySum[p.sum]
	return ts[len(ts)-1]
}
