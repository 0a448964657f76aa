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

// TestInOrder: what is drawn on the way through a map goes by its keys.
func TestInOrder(t *testing.T) {
	m := map[string]int{}
	for i := range 26 {
		m[string(rune('a'+i))] = i
	}
	var got []int
	for k, v := range labtest.InOrder(m) {
		if got = append(got, v); k == "h" {
			break
		}
	}
	if want := []int{0, 1, 2, 3, 4, 5, 6, 7}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
