package labtest_test

import (
	"slices"
	"testing"

	"witnessmark/internal/labtest"
)

// TestRand: a test never gets the same chance twice, nor that of another test.
func TestRand(t *testing.T) {
	draws := []uint64{labtest.Rand(t).Uint64(), labtest.Rand(t).Uint64()}
	for _, name := range []string{"heron", "plover"} {
		t.Run(name, func(t *testing.T) { draws = append(draws, labtest.Rand(t).Uint64()) })
	}
	if slices.Sort(draws); len(slices.Compact(draws)) != 4 {
		t.Errorf("the same chance twice: %x", draws)
	}
}
