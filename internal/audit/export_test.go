package audit

import "testing"

// SetLetters has the letters of alarms' names drawn by f.
func SetLetters(t testing.TB, f func() string) {
	last := letters
	letters = f
	t.Cleanup(func() { letters = last })
}
