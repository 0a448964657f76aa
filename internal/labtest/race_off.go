//go:build !race

package labtest

// Race says that the race detector watches, which makes everything many times
// slower; tests that repeat do so less often then.
const Race = false
