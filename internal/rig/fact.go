package rig

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Reason is why a fact is unread.
type Reason string

const (
	Absent      Reason = "absent"      // the source is not there
	Denied      Reason = "denied"      // rights are missing
	Refused     Reason = "refused"     // the kernel or a device would not answer
	Unknown     Reason = "unknown"     // the source itself says that it does not know
	Implausible Reason = "implausible" // the reading cannot be true
)

// Reasons lists every Reason, for decoders and documents.
var Reasons = []Reason{Absent, Denied, Refused, Unknown, Implausible}

// Unread is a reason with what was met, for example {Denied, "needs CAP_DAC_READ_SEARCH"}.
type Unread struct {
	Reason Reason
	Detail string
}

// String prints "denied: needs CAP_DAC_READ_SEARCH".
func (u Unread) String() string {
	if u.Detail == "" {
		return string(u.Reason)
	}
	return string(u.Reason) + ": " + u.Detail
}

// Fact is one thing a rig says of itself. Exactly one of Value (of a kind other
// than None) and Unread (with a Reason) is set; Source says where it was or
// would have been read.
type Fact struct {
	Key    Key
	Value  Value
	Unit   Unit
	Source string
	Unread Unread
}

// Read says whether the fact has a value.
func (f Fact) Read() bool { return f.Unread.Reason == "" }

// String prints the value with its unit, or "unread: reason".
func (f Fact) String() string {
	if !f.Read() {
		return "unread: " + f.Unread.String()
	}
	if f.Unit == NoUnit {
		return f.Value.String()
	}
	return f.Value.String() + " " + string(f.Unit)
}

// Check says what is wrong with the fact's shape, or nil.
func (f Fact) Check() error {
	switch {
	case f.Key == "":
		return fmt.Errorf("fact without a key")
	case f.Read() && f.Value.Kind() == None:
		return fmt.Errorf("fact %s has neither a value nor a reason", f.Key)
	case !f.Read() && f.Value.Kind() != None:
		return fmt.Errorf("fact %s is unread and yet has a value", f.Key)
	case !f.Read() && !slices.Contains(Reasons, f.Unread.Reason):
		return fmt.Errorf("fact %s is unread for no known reason %q", f.Key, f.Unread.Reason)
	}
	return nil
}

type factJSON struct {
	Key    Key    `json:"key"`
	Value  *Value `json:"value,omitempty"`
	Unit   *Unit  `json:"unit,omitempty"`
	Unread Reason `json:"unread,omitempty"`
	Detail string `json:"detail,omitempty"`
	Source string `json:"source"`
}

// MarshalJSON gives {"key","value","unit","source"} or {"key","unread","detail","source"}.
func (f Fact) MarshalJSON() ([]byte, error) {
	j := factJSON{Key: f.Key, Unread: f.Unread.Reason, Detail: f.Unread.Detail, Source: f.Source}
	if f.Read() {
		j.Value, j.Unit = &f.Value, &f.Unit
	}
	return json.Marshal(j)
}

// UnmarshalJSON takes what MarshalJSON gives and checks its shape.
func (f *Fact) UnmarshalJSON(b []byte) error {
	var j factJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*f = Fact{Key: j.Key, Source: j.Source, Unread: Unread{j.Unread, j.Detail}}
	if j.Value != nil {
		f.Value = *j.Value
	}
	if j.Unit != nil {
		f.Unit = *j.Unit
	}
	return f.Check()
}

// Snapshot is all facts of a rig at one moment, sorted by key, each key once.
type Snapshot struct {
	At    time.Time // wall clock of the rig
	Facts []Fact
}

// NewSnapshot sorts the facts by key. Where a key comes twice, a read fact wins
// over an unread one, and the earlier over the later.
func NewSnapshot(at time.Time, facts []Fact) Snapshot {
	fs := slices.Clone(facts)
	slices.SortStableFunc(fs, func(a, b Fact) int {
		if c := Compare(a.Key, b.Key); c != 0 {
			return c
		}
		switch {
		case a.Read() && !b.Read():
			return -1
		case !a.Read() && b.Read():
			return 1
		}
		return 0
	})
	return Snapshot{At: at, Facts: slices.CompactFunc(fs, func(a, b Fact) bool { return a.Key == b.Key })}
}

// Find returns the fact with the key.
func (s Snapshot) Find(k Key) (Fact, bool) {
	i, ok := slices.BinarySearchFunc(s.Facts, k, func(f Fact, k Key) int { return Compare(f.Key, k) })
	if !ok {
		return Fact{}, false
	}
	return s.Facts[i], true
}

// Number returns the number of a read numeric fact.
func (s Snapshot) Number(k Key) (float64, bool) {
	f, ok := s.Find(k)
	if !ok || !f.Read() {
		return 0, false
	}
	return f.Value.Number()
}

// Text returns the text of a read text fact.
func (s Snapshot) Text(k Key) (string, bool) {
	f, ok := s.Find(k)
	if !ok || !f.Read() {
		return "", false
	}
	return f.Value.Text()
}
