package main

import (
	"errors"
	"fmt"
	"testing"

	"witnessmark/internal/dossier"
	"witnessmark/internal/fault"
)

// TestHintForANewerFile: a file that takes a later version to check is not called one
// to distrust.
func TestHintForANewerFile(t *testing.T) {
	const other = "ask for it again"
	newer := &dossier.Fault{Member: "seal", Why: fmt.Errorf("%w: it is of edition 9", dossier.ErrNewer)}
	altered := &dossier.Fault{Member: "seal", Why: errors.New("it is altered")}
	for _, c := range []struct {
		err  error
		hint string
	}{{newer, "check it with a later version of collector"}, {altered, other}} {
		err := notProved("verify", "proof.zip", c.err, other)
		if got := fault.HintOf(err); got != c.hint || !errors.Is(err, dossier.ErrNotProved) {
			t.Errorf("%v: hint %q", err, got)
		}
	}
}
