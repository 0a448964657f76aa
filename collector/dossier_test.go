package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/dossier"
	"witnessmark/internal/fault"
)

// TestHints: a file that takes a later version to check is not called one to distrust,
// nor is one of before a key was changed.
func TestHints(t *testing.T) {
	const other = "ask for it again"
	newer := &dossier.Fault{Member: "seal", Why: fmt.Errorf("%w: it is of edition 9", dossier.ErrNewer)}
	altered := &dossier.Fault{Member: "seal", Why: errors.New("it is altered")}
	before := &dossier.Fault{Member: "trail/key", Why: fmt.Errorf("it is %w", dossier.ErrNotGiven)}
	for _, c := range []struct {
		err  error
		hint string
	}{{newer, "check it with a later version of collector"}, {before, "unless that key is an earlier one"}, {altered, other}} {
		err := notProved("verify", "proof.zip", c.err, other)
		if got := fault.HintOf(err); !strings.Contains(got, c.hint) || !errors.Is(err, dossier.ErrNotProved) {
			t.Errorf("%v: hint %q", err, got)
		}
	}
}

// TestTooLargeADossier: a file that is larger than any dossier is refused by its size.
func TestTooLargeADossier(t *testing.T) {
	file := filepath.Join(t.TempDir(), "large.zip")
	err := os.WriteFile(file, nil, 0o600)
	if err == nil {
		err = os.Truncate(file, mostDossier+1) // it takes no room on the disk
	}
	if err != nil {
		t.Fatal(err)
	}
	if _, err := readDossier(file); !errors.Is(err, errNoDossier) {
		t.Fatal(err)
	}
}

// TestVerdictUnwritten: that a verdict could not be written says nothing against the
// file, and is no success.
func TestVerdictUnwritten(t *testing.T) {
	r, w := io.Pipe()
	r.CloseWithError(io.ErrShortWrite)
	const file = "../internal/dossier/testdata/edition-1.zip"
	for _, json := range []bool{false, true} {
		for _, later := range []string{"", file} {
			d := &desk{stdout: w, stderr: io.Discard, json: json}
			err := d.verify(file, dossier.Keys{})
			if later != "" {
				err = d.verifyLater(t.Context(), file, later, dossier.Keys{})
			}
			if !errors.Is(err, io.ErrShortWrite) || fault.HintOf(err) != "" {
				t.Errorf("json %v, later %q: %v; hint %q", json, later, err, fault.HintOf(err))
			}
		}
	}
}

// TestKeyInCapitals: other programs write a SHA-256 in capitals.
func TestKeyInCapitals(t *testing.T) {
	known, err := keysOf([]string{"0123456789ABCDEF"})
	if err != nil || len(known.Rigs) != 1 || known.Rigs[0] != "0123456789abcdef" {
		t.Errorf("%v, %v", known, err)
	}
}

// TestNewFile: a file that is handed on may be read by whom the umask lets, and is
// nowhere under its name before it is whole.
func TestNewFile(t *testing.T) {
	dir := t.TempDir()
	usual, file := filepath.Join(dir, "usual"), filepath.Join(dir, "proof.zip")
	if err := errors.Join(os.WriteFile(usual, nil, 0o666), newFile(file, []byte("whole"))); err != nil {
		t.Fatal(err)
	}
	want, err := os.Stat(usual)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := os.Stat(file); err != nil || got.Mode() != want.Mode() || got.Size() != 5 {
		t.Errorf("%v, %v, want %v", got, err, want.Mode())
	}
	if err := newFile(file, nil); err == nil || fault.HintOf(err) == "" {
		t.Errorf("over another: %v", err)
	}
	if names := namesIn(t, dir); len(names) != 2 {
		t.Errorf("left: %v", names)
	}
}
