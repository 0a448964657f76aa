package audit

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// ErrAlarm is returned when a collector's head or key is refused, and when there
// is an alarm of that already.
var ErrAlarm = errors.New("the collector's trail is not the one that was seen")

// Alarm is a head or key that was refused.
type Alarm struct {
	Name      string    `json:"name"` // of its folder
	Collector string    `json:"collector"`
	At        time.Time `json:"at"`
	Why       string    `json:"why"`
	Seen      HeadSeen  `json:"seen"`
	Now       HeadSeen  `json:"now"`
	Keys      []string  `json:"keys,omitempty"` // what the collector says of its keys: signed successions
	// Earlier are the keys that the one of both heads followed, as far as the collector
	// has led to it from the pinned one.
	Earlier  []trail.Earlier `json:"earlier,omitempty"`
	Accepted *Acceptance     `json:"accepted,omitempty"` // nil while it is open
	Folder   string          `json:"folder"`             // where the evidence is
	// Before is what it was until a later head proved more.
	Before *Alarm `json:"before,omitempty"`
	// Unkept is why not all of it is on the disk, nil where it is.
	Unkept error `json:"-"`
}

// HeadSeen is one of the two heads of an alarm. The signed note is a file of the
// evidence.
type HeadSeen struct {
	Key  string `json:"key"` // that signed it, or would have had to
	Size int64  `json:"size"`
	Root string `json:"root"`
	// At is when it was seen for the first time, by the clock of whoever saw it; zero
	// where that was somebody else, such as a witness.
	At   time.Time `json:"at,omitzero"`
	Note string    `json:"-"`
}

// same says whether both are the same head, whenever they were seen, whoever else signed
// it and whichever key signs the trail by now, or of one key where there was none yet.
func (h HeadSeen) same(o HeadSeen) bool {
	if h.Size > 0 && o.Size > 0 {
		return h.Size == o.Size && h.Root == o.Root
	}
	return h.Note == o.Note && (h.Note != "" || h.Key == o.Key)
}

func (h HeadSeen) String() string {
	s := fmt.Sprintf("%d %s", h.Size, h.Root)
	if !h.At.IsZero() {
		s += " on " + h.At.UTC().Format(time.DateTime)
	}
	return s
}

// Acceptance is an operator's word that an alarm is explained.
type Acceptance struct {
	At  time.Time `json:"at"`
	By  string    `json:"by"`
	Why string    `json:"why"`
}

// Error names both heads.
func (a Alarm) Error() string {
	s := strings.TrimSpace("alarm "+a.Name) + ": " + a.Collector + ": " + a.Why
	if a.Seen.Key != a.Now.Key {
		s += fmt.Sprintf(": pinned %s, now %s", a.Seen.Key, a.Now.Key)
	} else {
		s += fmt.Sprintf(": seen %v, now %v%s", a.Seen, a.Now, a.was())
	}
	if a.Unkept != nil {
		s += fmt.Sprintf("; not all of it is kept: %v", a.Unkept)
	}
	return s
}

// Reason is why it was raised, and what it was before a later head proved more.
func (a Alarm) Reason() string { return a.Why + a.was() }

// was tells what the alarm was before, the last first.
func (a Alarm) was() (s string) {
	for b := a.Before; b != nil; b = b.Before {
		s += fmt.Sprintf("; before that: %s: now %v", b.Why, b.Now)
	}
	return s
}

// Unwrap gives ErrAlarm.
func (a Alarm) Unwrap() error { return ErrAlarm }

// Hint says what to do.
func (a Alarm) Hint() string {
	return a.HintTo("runs stay in the spool as long as it shows that", fmt.Sprintf("agent trail accept %s --why TEXT", a.Name))
}

// HintTo is Hint where something else stays as it is meanwhile, and another command
// accepts the alarm. One whose evidence is not kept has nothing to be shown or accepted.
func (a Alarm) HintTo(stays, accept string) string {
	if errors.Is(a.Unkept, errEnough) {
		return stays + "; those that are open tell of it: show them to the collector's keeper, and accept them once they are explained"
	}
	if a.Folder == "" {
		return stays + "; see that the disk there has room, and that all on it can be read and written: the evidence is kept when the collector shows it again"
	}
	return fmt.Sprintf("%s; show the collector's keeper %s; once it is explained: %s", stays, a.evidence(), accept)
}

// evidence says where the two heads are, and what they are worth.
func (a Alarm) evidence() string {
	s := "the evidence in " + a.Folder
	switch {
	case a.proves() == toAnybody:
		s += ", which proves it to anybody who has the collector's key"
	case a.proves() == toNobody && a.Seen.Key == a.Now.Key:
		s += ", which proves nothing by itself: the collector is asked again each time it is met, and may still show it"
	}
	return s
}

// proof is before whom the two heads of an alarm prove it, more of them with each.
type proof int

const (
	toNobody  proof = iota // the collector can still clear itself
	toWitness              // to who saw both
	toAnybody              // who has the collector's key
)

// proves tells that by the heads alone, of which those of two keys exclude nothing.
func (a Alarm) proves() proof {
	switch {
	case a.Seen.Key != a.Now.Key || a.Seen.Size == 0:
		return toNobody
	case a.Now.Size < a.Seen.Size:
		return toWitness
	case a.Now.Size == a.Seen.Size && a.Now.Root != a.Seen.Root:
		return toAnybody
	}
	return toNobody
}

// headSeen describes a signed head of a trail by its present key; one that does not
// open has no size.
func headSeen(key string, line trail.Line, msg string, at time.Time) HeadSeen {
	s := HeadSeen{Key: key, Note: msg, At: at}
	if h, err := trail.OpenHead([]byte(msg), line); err == nil {
		s.Size, s.Root = h.Size, h.Root.String()
	}
	return s
}

// seen describes the last head that is remembered.
func (m Memory) seen() HeadSeen {
	line, _ := trail.NewLine(m.Key, m.Earlier...) // without, nothing opens
	return headSeen(m.Key, line, m.Head, m.Seen)
}

// raise keeps the evidence that a signed head does not belong to the last seen, and
// returns the alarm as an error. One that is open already on the same head seen is not
// raised again. Both heads are of the keys that the collector has led to by now.
func (a *Auditor) raise(last Memory, now shown, why error) error {
	of := func(msg string, at time.Time) HeadSeen { return headSeen(now.line.Present(), now.line, msg, at) }
	return a.raiseAlarm(Alarm{
		Collector: last.Collector, Why: why.Error(), Earlier: now.at(last).Earlier,
		Seen: of(last.Head, last.Seen), Now: of(string(now.signed), a.now().UTC()),
	})
}

func (a *Auditor) raiseAlarm(al Alarm) error {
	al.At = a.now().UTC()
	free, err := a.alone()
	if err == nil {
		defer free()
		err = a.keep(&al)
	}
	al.Unkept = err
	return al
}

func (a *Auditor) keep(al *Alarm) error {
	if err := a.file(al); err != nil {
		return err
	}
	m, err := a.recall(al.Collector)
	if err != nil || m.Times == 0 || m.Refused == al.Name {
		return err
	}
	m.Refused = al.Name
	return a.remember(m)
}

// mostOpen is how many alarms on a collector may be open: one that goes on from a copy
// and back, time and again, would fill the disk with evidence of the same.
const mostOpen = 100

// errEnough is why an alarm beyond those is not kept.
var errEnough = fmt.Errorf("%d alarms on this collector are open already", mostOpen)

// strongerDir is the folder of a pair of heads in that of the pair that proves less.
const strongerDir = "stronger"

// file keeps the evidence, or finds the open alarm that it is of already. If it proves
// more than that one does, the alarm takes it up, and what it had stays as it was.
func (a *Auditor) file(al *Alarm) error {
	open, err := a.Open()
	if err != nil {
		return err
	}
	next, others := *al, 0
	for _, o := range open {
		if o.Collector != al.Collector {
			continue
		}
		if others++; !o.Seen.same(al.Seen) || (o.Seen.Key == o.Now.Key) != (al.Seen.Key == al.Now.Key) {
			continue
		}
		if al.proves() <= o.proves() {
			*al = o
			return nil
		}
		next.Name, next.At, next.Folder, next.Before = o.Name, o.At, filepath.Join(o.Folder, strongerDir), &o
	}
	if next.Before == nil && others >= mostOpen {
		return errEnough
	}
	if err := a.write(&next); err != nil {
		return err
	}
	*al = next
	return nil
}

// letters draws what tells an alarm from others of the same second.
var letters = func() string { return strings.ToLower(rand.Text()[:4]) }

// write makes the folder of an alarm, whole or not at all; a new one gets its name.
func (a *Auditor) write(al *Alarm) error {
	dir, err := os.MkdirTemp(a.path("alarms"), ".new-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	for taken := al.Before == nil; taken; {
		al.Name = al.At.Format("20060102T150405Z") + "-" + letters()
		al.Folder = a.path("alarms", al.Name)
		_, err := os.Lstat(al.Folder)
		taken = err == nil
	}
	about, err := json.MarshalIndent(al, "", "  ")
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name string
		b    []byte
	}{{"alarm.json", about}, {"seen.head", []byte(al.Seen.Note)}, {"now.head", []byte(al.Now.Note)}} { // one order, so that a full disk always says the same
		if err := durable.WriteFile(dir, f.name, f.b); err != nil {
			return err
		}
	}
	if err := os.Rename(dir, al.Folder); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(al.Folder))
}

// Alarms lists all alarms, the oldest first.
func (a *Auditor) Alarms() ([]Alarm, error) {
	names, err := os.ReadDir(a.path("alarms"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New("list alarms", a.path("alarms"), err)
	}
	var out []Alarm
	for _, n := range names {
		if strings.HasPrefix(n.Name(), ".") {
			continue
		}
		al, err := a.alarm(n.Name())
		if err != nil {
			return out, fault.New("read alarm", a.path("alarms", n.Name()), err)
		}
		out = append(out, al)
	}
	slices.SortStableFunc(out, func(a, b Alarm) int { return a.At.Compare(b.At) })
	return out, nil
}

// Open lists the alarms that nobody has accepted yet.
func (a *Auditor) Open() (out []Alarm, err error) {
	all, err := a.Alarms()
	for _, al := range all {
		if al.Accepted == nil {
			out = append(out, al)
		}
	}
	return out, err
}

func (a *Auditor) alarm(name string) (al Alarm, err error) {
	dir := a.path("alarms", name)
	if al, err = readAlarm(dir, name, nil); err != nil {
		return al, err
	}
	b, err := os.ReadFile(filepath.Join(dir, "accepted.json"))
	if errors.Is(err, fs.ErrNotExist) {
		return al, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &al.Accepted)
	}
	return al, err
}

// readAlarm reads the alarm that is in a folder, by the pair of heads that proves most.
func readAlarm(dir, name string, before *Alarm) (Alarm, error) {
	al := new(Alarm)
	b, err := os.ReadFile(filepath.Join(dir, "alarm.json"))
	if err == nil {
		err = json.Unmarshal(b, al)
	}
	if err != nil {
		return *al, err
	}
	al.Name, al.Folder, al.Before = name, dir, before
	for file, to := range map[string]*string{"seen.head": &al.Seen.Note, "now.head": &al.Now.Note} {
		b, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			return *al, err
		}
		*to = string(b)
	}
	stronger := filepath.Join(dir, strongerDir)
	if _, err := os.Stat(stronger); errors.Is(err, fs.ErrNotExist) {
		return *al, nil
	}
	return readAlarm(stronger, name, al)
}

// Accept closes an alarm. If the collector still shows what was refused, that
// head is the last one seen from now on, and its key the pinned one.
func (a *Auditor) Accept(name, by, why string) (Alarm, error) {
	free, err := a.alone()
	if err != nil {
		return Alarm{}, err
	}
	defer free()
	al, err := a.accept(name, Acceptance{a.now().UTC().Truncate(time.Second), by, why})
	if err != nil {
		return al, fault.New("accept alarm", name, err)
	}
	return al, nil
}

func (a *Auditor) accept(name string, how Acceptance) (Alarm, error) {
	al, err := a.find(name)
	if err != nil {
		return Alarm{}, err
	}
	if err := a.believe(al); err != nil {
		return al, err
	}
	al.Accepted = &how
	b, err := json.MarshalIndent(how, "", "  ")
	if err != nil {
		return al, err
	}
	return al, durable.WriteFile(a.path("alarms", al.Name), "accepted.json", b)
}

// believe takes the refused head for the last one seen, wherever its trail is
// remembered, unless the collector has shown the right trail again since.
func (a *Auditor) believe(al Alarm) error {
	all, err := a.Memories()
	if err != nil {
		return err
	}
	if m, err := a.recall(al.Collector); err != nil || m.Refused != al.Name {
		return err
	}
	for _, m := range all {
		if m.Collector != al.Collector && m.Key != al.Now.Key {
			continue
		}
		m.Refused = ""
		m.Earlier = m.explained(al)
		m.Key, m.Head, m.Seen = al.Now.Key, al.Now.Note, a.now().UTC()
		if m.Collector == al.Collector && al.Seen.Key != al.Now.Key {
			m.Pinned = a.now().UTC()
		}
		if err := a.remember(m); err != nil {
			return err
		}
	}
	return nil
}
