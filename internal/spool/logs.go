package spool

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/internal/record"
)

// logsKept is for how long it is remembered whose a log was. Whoever looks for
// logs in folders remembers for itself what it was told. A design choice.
const logsKept = 30 * 24 * time.Hour

// noteLogs remembers that the run's timing logs are its own.
func (s *Spool) noteLogs(it Item) error {
	for _, a := range it.Attachments {
		if a.Kind != record.TimingLog || a.Size == 0 {
			continue
		}
		if err := makeDir(s.path("logs")); err != nil {
			return err
		}
		if err := writeFile(s.path("logs"), hex.EncodeToString(a.SHA256[:]), []byte(it.ID+"\n")); err != nil {
			return err
		}
	}
	return nil
}

// sweepLogs forgets whose logs were long ago.
func (s *Spool) sweepLogs() {
	names, err := os.ReadDir(s.path("logs"))
	if err != nil {
		return // there are none
	}
	for _, n := range names {
		if info, err := n.Info(); err == nil && time.Since(info.ModTime()) > logsKept { // nor what somebody writes now
			os.Remove(s.path("logs", n.Name()))
		}
	}
}

// RunOf gives the run that a timing log with that SHA-256 was spooled with in the
// last month.
func (s *Spool) RunOf(log [sha256.Size]byte) (id string, ok bool) {
	b, err := os.ReadFile(s.path("logs", hex.EncodeToString(log[:])))
	id = strings.TrimSpace(string(b))
	return id, err == nil && record.ValidID(id)
}

// Awaits says whether a run that has begun, and is not spooled yet, means the
// file at the path for its own.
func (s *Spool) Awaits(path string) bool {
	names, err := filepath.Glob(s.path("open", "[0-9]*", "draft.json"))
	if err != nil {
		return false
	}
	for _, n := range names {
		b, err := os.ReadFile(n)
		var f draftFile
		if err != nil || json.Unmarshal(b, &f) != nil {
			continue
		}
		for _, x := range f.Files {
			if x.Path != "" && sameFile(x.Path, path) {
				return true
			}
		}
	}
	return false
}

func sameFile(a, b string) bool {
	if filepath.Clean(a) == filepath.Clean(b) {
		return true
	}
	x, err := os.Stat(a)
	y, e := os.Stat(b)
	return err == nil && e == nil && os.SameFile(x, y)
}
