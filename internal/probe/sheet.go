package probe

import (
	"crypto/sha256"
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/smbios"
)

// sheet is a snapshot being filled in.
type sheet struct {
	tree  *Tree
	opt   Options
	facts []rig.Fact

	cpu   topology
	table firmwareTable
}

// reading is a value on its way to become a fact: what was read and where, or
// why it was not.
type reading struct {
	value  rig.Value
	source string
	why    rig.Unread
}

func (r reading) ok() bool { return r.why.Reason == "" && r.value.Kind() != rig.None }

func unread(source string, reason rig.Reason, detail string) reading {
	return reading{source: source, why: rig.Unread{Reason: reason, Detail: detail}}
}

func failed(source string, err error) reading { return reading{source: source, why: Why(err)} }

// textReading is a text as a source gave it, made safe to print; an empty one
// is unknown, and bytes of which none is text are implausible.
func textReading(source, text string) reading {
	switch text = clean(text); strings.Trim(text, "\uFFFD ") {
	case "":
		if text != "" {
			return unread(source, rig.Implausible, "not text")
		}
		return unread(source, rig.Unknown, "empty")
	}
	return reading{value: rig.TextOf(text), source: source}
}

func truthReading(source string, yes bool) reading {
	return reading{value: rig.TruthOf(yes), source: source}
}

// numberReading is n if it can be true, which means between least and most.
func numberReading(source string, n, least, most float64) reading {
	if math.IsNaN(n) || n < least || n > most {
		return unread(source, rig.Implausible, strconv.FormatFloat(n, 'g', -1, 64))
	}
	return reading{value: rig.NumberOf(n), source: source}
}

// parsedNumber is the number in text, divided, if it can be true after that.
func parsedNumber(source, text string, divide, least, most float64) reading {
	switch text = strings.TrimSpace(text); strings.ToLower(text) {
	case "":
		return unread(source, rig.Unknown, "empty")
	case "unknown", "<unknown>", "unsupported", "<unsupported>":
		return unread(source, rig.Unknown, text)
	}
	n, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return unread(source, rig.Implausible, fmt.Sprintf("no number: %q", cut(text)))
	}
	return numberReading(source, n/divide, least, most)
}

// firstOf is the first reading that has a value; with none, the first whose
// source was there at all, and failing that the first.
func firstOf(all ...reading) reading {
	best := all[0]
	for _, r := range all {
		if r.ok() {
			return r
		}
		if best.why.Reason == rig.Absent && r.why.Reason != rig.Absent {
			best = r
		}
	}
	return best
}

// keyOf is rig.Of for an index that a device or its driver chose.
func keyOf(prefix, index, field string) rig.Key {
	const most = 128
	if index = clean(index); len(index) > most {
		index = strings.ToValidUTF8(index[:most], "")
	}
	return rig.Of(prefix, index, field)
}

// put makes the reading a fact, in the unit the catalogue has for it.
func (s *sheet) put(k rig.Key, r reading) {
	f := rig.Fact{Key: k, Source: clean(r.source)}
	switch {
	case r.ok():
		f.Value = r.value
		if e, _ := rig.Lookup(k); r.value.Kind() == rig.Number {
			f.Unit = e.Unit
		}
	case r.why.Reason != "":
		f.Unread = rig.Unread{Reason: r.why.Reason, Detail: clean(r.why.Detail)}
	default:
		f.Unread = rig.Unread{Reason: rig.Implausible, Detail: "not a finite number"}
	}
	s.facts = append(s.facts, f)
}

// file reads a text.
func (s *sheet) file(name string) reading {
	text, err := s.tree.Text(name)
	if err != nil {
		return failed("/"+name, err)
	}
	return textReading("/"+name, text)
}

// number reads a number, divided, that must lie between least and most after that.
func (s *sheet) number(name string, divide, least, most float64) reading {
	text, err := s.tree.Text(name)
	if err != nil {
		return failed("/"+name, err)
	}
	return parsedNumber("/"+name, text, divide, least, most)
}

// choice reads the marked word of a list.
func (s *sheet) choice(name string) reading {
	text, err := s.tree.Text(name)
	if err != nil {
		return failed("/"+name, err)
	}
	word, err := parseChoice(text)
	if err != nil {
		return unread("/"+name, rig.Implausible, err.Error())
	}
	return textReading("/"+name, word)
}

// list is Tree.List without the error, for readers that find nothing where
// there is nothing.
func (s *sheet) list(dir string) []string {
	names, _ := s.tree.List(dir)
	return names
}

// given drops texts that vendors leave where nothing was written.
func given(r reading) reading {
	if text, ok := r.value.Text(); ok && smbios.IsFill(text) {
		return unread(r.source, rig.Unknown, fmt.Sprintf("filled in with %q", text))
	}
	return r
}

// putHashed puts what identifies one specimen: hashed, unless plain was asked for.
func (s *sheet) putHashed(k rig.Key, r reading) {
	if text, ok := r.value.Text(); ok {
		r.value = rig.TextOf(s.hashed(k, text))
	}
	s.put(k, r)
}

// hashed gives "sha256:" and 12 hexadecimal digits. A captured tree may hold a
// stand-in for the text together with the hash that the text itself had.
func (s *sheet) hashed(k rig.Key, text string) string {
	if s.tree.trace != nil {
		s.tree.trace.secret(k, text)
	}
	if h, ok := s.tree.notes.Hashed[text]; ok {
		return clean(h)
	}
	if s.opt.Plain {
		return text
	}
	return hash([]byte(text))
}

func hash(b []byte) string {
	sum := sha256.Sum256(b)
	return fmt.Sprintf("sha256:%x", sum[:6])
}

// textCap bounds a fact's text; the longest real ones are processor lists and
// command lines.
const textCap = 4096

// clean makes outside text safe to print and to encode: valid UTF-8, one line,
// no control characters, no blanks around it.
func clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
	if len(s) > textCap {
		s = strings.ToValidUTF8(s[:textCap], "")
	}
	return strings.TrimSpace(s)
}

// part is what one group of processors says.
type part struct {
	who processors
	reading
}

// agree joins what groups of processors say: the one value where all say the
// same, "performance 0-7, powersave 8-15" where they differ, and unread where
// one of them is.
func agree(source string, parts []part) reading {
	switch len(parts) {
	case 0:
		return unread(source, rig.Absent, "")
	case 1:
		return parts[0].reading
	}
	if !slices.ContainsFunc(parts, func(p part) bool { return p.why != parts[0].why }) && !parts[0].ok() {
		return reading{source: source, why: parts[0].why}
	}
	var values []string
	who := map[string]processors{}
	for _, p := range parts {
		if !p.ok() {
			r := p.reading
			r.why.Detail = strings.TrimSuffix("processors "+p.who.String()+": "+r.why.Detail, ": ")
			return r
		}
		v := p.value.String()
		if _, met := who[v]; !met {
			values = append(values, v)
		}
		who[v] = append(who[v], p.who...)
	}
	if len(values) == 1 {
		return reading{value: parts[0].value, source: source}
	}
	for i, v := range values {
		values[i] = v + " " + sorted(who[v]).String()
	}
	return textReading(source, strings.Join(values, ", "))
}

func base(name string) string { return path.Base(name) }
