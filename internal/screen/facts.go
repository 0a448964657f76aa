package screen

import (
	"io"
	"strings"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
)

// Facts prints facts with where they were read. One that could not be read has
// the reason in the value's place.
func Facts(w io.Writer, facts []rig.Fact) error {
	t := NewTable("fact", "value", "source")
	for _, f := range facts {
		t.Row(string(f.Key), factText(f), f.Source)
	}
	return t.Write(w)
}

// Unread prints facts that have no value, with the reason and what would let each
// be read.
func Unread(w io.Writer, facts []rig.Fact) error {
	if len(facts) == 0 {
		_, err := io.WriteString(w, "every fact could be read\n")
		return err
	}
	t := NewTable("fact", "unread", "detail", "source")
	for _, f := range facts {
		detail := f.Unread.Detail
		if detail == "" && f.Unread.Reason == rig.Absent {
			detail = "there is no such source"
		}
		t.Row(string(f.Key), string(f.Unread.Reason), detail, f.Source)
	}
	return t.Write(w)
}

func factText(f rig.Fact) string {
	if !f.Read() {
		return "unread: " + f.Unread.String()
	}
	return Value(f.Value, f.Unit)
}

// Value prints a value with its unit as the rig gave it: it is a reading, not a
// result of arithmetic, and keeps its digits up to a length no sensor reaches.
func Value(v rig.Value, u rig.Unit) string {
	s := v.String()
	if n, ok := v.Number(); ok && len(s) > 12 && strings.Contains(s, ".") {
		s = Significant(n)
	}
	if _, isText := v.Text(); isText || u == rig.NoUnit || s == "" {
		return s
	}
	if s == "1" && u == rig.Lanes {
		return "1 lane"
	}
	return s + " " + string(u)
}

// Flags prints findings with what was expected, what was seen, and below each
// its evidence.
func Flags(w io.Writer, flags []drift.Flag) error {
	t := NewTable()
	t.Indent = 2
	for _, f := range flags {
		t.Row(f.Weight.String(), string(f.Kind), string(f.Fact), FlagText(f))
		t.Tail(f.Evidence)
	}
	return t.Write(w)
}

// FlagText says what was seen, what was expected, and what a setup changed of
// its weight.
func FlagText(f drift.Flag) string {
	s := "seen " + Value(f.Seen, f.Unit)
	if f.Expected.Kind() != rig.None {
		s += ", expected " + bound(f.Expected, f.Unit)
	}
	if f.WeightBefore != 0 {
		s += " (" + f.WeightBefore.String() + " unless the setup says otherwise)"
	}
	return s
}

// bound is what was expected; a range or a bound, which is a text, ends in a
// number that has the fact's unit: "4100 to 4300 MHz".
func bound(v rig.Value, u rig.Unit) string {
	s := Value(v, u)
	if _, text := v.Text(); text && u != rig.NoUnit && s != "" && strings.ContainsRune("0123456789", rune(s[len(s)-1])) {
		s += " " + string(u)
	}
	return s
}
