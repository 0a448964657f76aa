package spool

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
)

// thinned is what was done to a run's signals since it was put.
type thinned struct {
	Times  int    `json:"times"`
	From   int    `json:"from"`   // samples before the first time
	Remark string `json:"remark"` // in the record, on all of it
}

// recordName is the file that holds the record's bytes: another one each time
// they are changed, so that the rename of item.json alone decides which holds.
func (f itemFile) recordName() string {
	if f.Thinned == nil {
		return "record"
	}
	return fmt.Sprintf("record-%d", f.Thinned.Times)
}

// How signals are thinned; all are design choices.
const (
	thinBy      = 4
	mostThin    = 1 << 12 // at once, on a full disk
	leastSignal = 64      // samples; what is shorter is left alone
	mostRounds  = 12      // 4 to the power of that is what a record may hold
)

// errOvertaken is returned when a run is not any more what was to be replaced.
var errOvertaken = errors.New("the run was offered, delivered or thinned meanwhile")

// thin makes a run smaller unless it was thinned as often as round says, was
// offered, or cannot be, and says whether it did.
func (s *Spool) thin(id string, round int) bool {
	if s.isSpent(id) || s.offered(id) {
		return false
	}
	it, f, err := s.loadFile(id)
	if err != nil || f.Thinned != nil && f.Thinned.Times >= round {
		return false
	}
	key := s.signing()
	run, ok := readAgain(it, key)
	for by := thinBy; ok && by <= mostThin; by *= thinBy {
		smaller, meta, less := thinnedBy(it, f, *run, by, key)
		if ok = less; !less {
			break
		}
		err := s.replace(it, smaller, meta)
		if err == nil || !full(err) {
			return err == nil
		}
		os.Remove(s.path("spare")) // and less still, should that not be enough
	}
	if !ok {
		s.spend(id)
	}
	return false
}

// readAgain decodes a run that may be signed anew: by this key, and only if
// nothing in it is lost on this agent, as the word of a later one would be.
func readAgain(it Item, key ed25519.PrivateKey) (*record.Run, bool) {
	if len(key) == 0 || !it.Signed.PublicKey.Equal(key.Public().(ed25519.PublicKey)) {
		return nil, false
	}
	run, err := record.Decode(it.Signed.Bytes)
	if err != nil {
		return nil, false
	}
	again, err := record.Encode(run)
	return run, err == nil && bytes.Equal(again, it.Signed.Bytes)
}

// thinnedBy gives the record with thinner signals, signed; false when it is not
// smaller then.
func thinnedBy(it Item, f itemFile, run record.Run, by int, key ed25519.PrivateKey) (record.Signed, itemFile, bool) {
	before := rig.Samples(run.Signals)
	told := thinned{From: before}
	if f.Thinned != nil {
		told = *f.Thinned
	}
	signals := slices.Clone(run.Signals)
	for i, sig := range signals {
		if len(sig.Values) > leastSignal {
			signals[i] = sig.Thinned(by)
		}
	}
	run.Signals = signals
	run.Remarks = slices.DeleteFunc(slices.Clone(run.Remarks), func(r string) bool { return told.Remark != "" && r == told.Remark })
	told.Times++
	told.Remark = fmt.Sprintf("the spool was full: the signals are thinned from %d to %d samples, evenly and with the least and the greatest of each stretch", told.From, rig.Samples(signals))
	run.Remarks = append(run.Remarks, told.Remark)
	b, err := record.Encode(&run)
	if err != nil || rig.Samples(signals) == before || len(b) >= len(it.Signed.Bytes) {
		return record.Signed{}, f, false
	}
	signed := record.Sign(b, key)
	f.Signature, f.Thinned = signed.Signature, &told
	return signed, f, true
}

// replace puts a smaller record in the place of that of a run, whole or not at
// all, if the run still is what it was and was never offered.
func (s *Spool) replace(it Item, smaller record.Signed, f itemFile) error {
	meta, err := json.Marshal(f)
	if err != nil {
		return err
	}
	free, err := s.alone()
	if err != nil {
		return err
	}
	defer free()
	now, was, err := s.loadFile(it.ID)
	if err != nil {
		return err
	}
	if s.offered(it.ID) || !bytes.Equal(now.Signed.Signature, it.Signed.Signature) {
		return errOvertaken
	}
	if err := writeFile(it.dir, f.recordName(), smaller.Bytes); err != nil {
		return err
	}
	if err := writeFile(it.dir, "item.json", meta); err != nil {
		os.Remove(filepath.Join(it.dir, f.recordName()))
		return err
	}
	os.Remove(filepath.Join(it.dir, was.recordName()))
	return nil
}

// sweepRun removes what a process that was killed while it thinned the run has
// left beside the record that holds.
func (s *Spool) sweepRun(id string) {
	b, err := os.ReadFile(s.path("ready", id, "item.json"))
	var f itemFile
	if err != nil || json.Unmarshal(b, &f) != nil {
		return
	}
	names, _ := readDir(s.path("ready", id))
	for _, n := range names {
		if n != f.recordName() && (n == "record" || strings.HasPrefix(n, "record-") || strings.HasPrefix(n, ".")) {
			os.Remove(s.path("ready", id, n))
		}
	}
}

// ease thins one run because the disk is full, and says whether that helped.
func (s *Spool) ease() bool {
	if s.limits.Bytes == 0 {
		return false
	}
	helped := false
	s.thinUntil(func(Usage) bool { helped = true; return true })
	return helped
}

func (s *Spool) isSpent(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.spent[id]
}

func (s *Spool) spend(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spent[id] = true
}

func (s *Spool) forget(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.spent, id)
}
