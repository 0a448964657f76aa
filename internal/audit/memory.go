package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Memory is what is remembered of the collector at one address.
type Memory struct {
	Collector string    `json:"collector"` // HOST:PORT, or "embedded"
	Key       string    `json:"key"`       // the verifier key of its trail
	Pinned    time.Time `json:"pinned"`
	Head      string    `json:"head"`              // the last signed head seen; "" before the first
	Seen      time.Time `json:"seen"`              // when
	Refused   string    `json:"refused,omitempty"` // the alarm of the last meeting, if it was one
	Times     int64     `json:"times"`             // it was written

	Witnessed []Witnessed     `json:"witnessed,omitempty"` // how far demanded witnesses had come then
	Earlier   []trail.Earlier `json:"earlier,omitempty"`   // keys of its trail that Key followed
}

// open gives the head, the empty one before the first. It fails when the memory
// was altered.
func (m Memory) open() (trail.Head, trail.Line, error) {
	known, err := trail.NewLine(m.Key, m.Earlier...)
	if err != nil {
		return trail.Head{}, known, fmt.Errorf("the collector's key %q: %w", m.Key, err)
	}
	if m.Head == "" {
		return trail.EmptyHead(known.Origin()), known, nil
	}
	h, err := trail.OpenHead([]byte(m.Head), known)
	return h, known, err
}

// slotSize holds any memory. A memory is written over the older of its two slots,
// so that it needs no room on a full disk and survives a power cut in between.
const slotSize = 16 << 10

func (a *Auditor) slots(collector string) [2]string {
	sum := sha256.Sum256([]byte(collector))
	name := filepath.Join(a.dir, "memory", hex.EncodeToString(sum[:8]))
	return [2]string{name + ".0", name + ".1"}
}

// recall gives the memory of a collector; its Times is 0 when there is none. The caller
// holds the lock.
func (a *Auditor) recall(collector string) (Memory, error) {
	var last Memory
	damaged := 0
	for _, path := range a.slots(collector) {
		m, err := readSlot(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			damaged++
		case m.Collector == collector && m.Times > last.Times:
			last = m
		}
	}
	if damaged > 0 && last.Times == 0 {
		return last, fault.New("read memory of trails", a.slots(collector)[0], errors.New("it is damaged, and so is the one beside it")).
			WithHint("restore both files; without them the next head of " + collector + " is taken as it comes")
	}
	return last, nil
}

// look is recall for who does not hold the lock. A memory that somebody writes just then
// can read as damaged, and is read again once that is done.
func (a *Auditor) look(collector string) (Memory, error) {
	m, err := a.recall(collector)
	if err == nil {
		return m, nil
	}
	free, busy := a.alone()
	if busy != nil {
		return m, err
	}
	defer free()
	return a.recall(collector)
}

// readSlot reads a slot; one that was only set aside gives fs.ErrNotExist.
func readSlot(path string) (m Memory, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return m, err
	}
	line, rest, _ := bytes.Cut(b, []byte("\n"))
	if len(line) == 0 {
		return m, fs.ErrNotExist
	}
	sum := sha256.Sum256(line)
	if want := hex.EncodeToString(sum[:]); !bytes.HasPrefix(rest, []byte(want)) {
		return m, errors.New("it was not written to its end")
	}
	return m, json.Unmarshal(line, &m)
}

// remember writes a memory; the caller holds the lock.
func (a *Auditor) remember(m Memory) error {
	before, err := a.recall(m.Collector)
	if err != nil {
		return err
	}
	m.Times = before.Times + 1
	line, err := json.Marshal(m)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(line)
	b := fmt.Appendf(nil, "%s\n%x\n", line, sum)
	if len(b) > slotSize {
		return fmt.Errorf("the head has %d bytes", len(m.Head))
	}
	slot := a.slots(m.Collector)[m.Times%2]
	if _, err := os.Lstat(slot); errors.Is(err, fs.ErrNotExist) {
		if err := a.make(m.Collector); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(slot, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(b, 0)
	return errors.Join(err, f.Sync(), f.Close())
}

// make gives a collector the slots that were set aside, or new ones.
func (a *Auditor) make(collector string) error {
	for i, slot := range a.slots(collector) {
		spare := filepath.Join(a.dir, fmt.Sprintf("spare.%d", i))
		if err := os.Rename(spare, slot); err != nil {
			if err := blank(slot); err != nil {
				return err
			}
		}
	}
	return durable.SyncDir(filepath.Join(a.dir, "memory"))
}

// blank makes a slot that holds nothing and has its room on the disk.
func blank(path string) error {
	return durable.WriteFile(filepath.Dir(path), filepath.Base(path), bytes.Repeat([]byte("\n"), slotSize))
}

// Memories lists what is remembered, by address.
func (a *Auditor) Memories() (out []Memory, err error) {
	names, err := filepath.Glob(filepath.Join(a.dir, "memory", "*.0"))
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		best := Memory{}
		for _, path := range []string{name, name[:len(name)-1] + "1"} {
			if m, err := readSlot(path); err == nil && m.Times > best.Times {
				best = m
			}
		}
		if best.Times > 0 {
			out = append(out, best)
		}
	}
	return out, nil
}
