package smbios

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

const (
	headerSize = 4
	typeEnd    = 127
)

// walked is what one walk along a table found.
type walked struct {
	structures []Structure
	damage     []Damage
	end        int  // offset behind the last structure read
	ended      bool // an end structure was among them
}

// walk reads structures until the end structure, damage, or the last byte.
// Firmware with a 32-bit entry point is known to put structures of its own
// behind the end structure, so with a count announced (0 for none) the walk
// goes on past it while structures are owing and the bytes are not padding.
func walk(table []byte, announced int) walked {
	var w walked
	b := table[:min(len(table), MaxTable)]
	for w.goesOn(b[w.end:], announced) {
		s, problem := cutStructure(b[w.end:])
		if problem != nil {
			problem.Offset = w.end
			w.damage = append(w.damage, *problem)
			break
		}
		s.Offset = w.end
		w.structures = append(w.structures, s)
		w.end += s.size
		w.ended = w.ended || s.Type == typeEnd
	}
	w.reportEnd(len(table))
	return w
}

// goesOn tells whether there is a structure to read in rest. Zeros up to the
// last byte are padding, never a structure.
func (w *walked) goesOn(rest []byte, announced int) bool {
	if w.ended && len(w.structures) >= announced || isPadding(rest) {
		return false
	}
	if len(w.structures) == MaxStructures {
		w.damage = append(w.damage, Damage{Kind: TooMany, Offset: w.end, What: "structure table",
			Why: fmt.Sprintf("more than %d structures", MaxStructures)})
		return false
	}
	return true
}

// reportEnd adds what can only be said once the walk is over.
func (w *walked) reportEnd(given int) {
	if !w.ended && len(w.damage) == 0 {
		w.damage = append(w.damage, Damage{Kind: NoEnd, Offset: w.end, What: "structure table",
			Why: fmt.Sprintf("no end structure after %d structures", len(w.structures))})
	}
	if given > MaxTable {
		w.damage = append(w.damage, Damage{Kind: TooLarge, Offset: MaxTable, What: "structure table",
			Why: fmt.Sprintf("%d bytes, of which the first %d were looked at", given, MaxTable)})
	}
}

func isPadding(b []byte) bool { return len(bytes.TrimLeft(b, "\x00")) == 0 }

// cutStructure takes one whole structure from the start of b, which is not
// empty. A structure of which any byte is missing is not returned.
func cutStructure(b []byte) (Structure, *Damage) {
	if len(b) < headerSize {
		return Structure{}, &Damage{Kind: Cut, What: "structure header", Why: fmt.Sprintf("%d of %d bytes", len(b), headerSize)}
	}
	s := Structure{Type: b[0], Handle: Handle(binary.LittleEndian.Uint16(b[2:]))}
	length := int(b[1])
	switch {
	case length < headerSize:
		return Structure{}, &Damage{Kind: BadLength, What: s.String(), Why: fmt.Sprintf("says that it is %d bytes long, its header alone takes %d", length, headerSize)}
	case length > len(b):
		return Structure{}, &Damage{Kind: Cut, What: s.String(), Why: fmt.Sprintf("its %d bytes reach %d past the end", length, length-len(b))}
	}
	set := bytes.Index(b[length:], []byte{0, 0})
	if set < 0 {
		return Structure{}, &Damage{Kind: Cut, What: s.String(), Why: "its strings have no end"}
	}
	s.size = length + set + 2
	s.formatted = bytes.Clone(b[:length])
	s.strings = splitStrings(b[length : length+set+1])
	return s, nil
}

// splitStrings takes the strings of a set apart, each still with its closing
// zero. An empty string ends the set, whatever stands behind it.
func splitStrings(set []byte) []string {
	var out []string
	for len(set) > 0 && set[0] != 0 {
		end := bytes.IndexByte(set, 0)
		out = append(out, string(set[:end]))
		set = set[end+1:]
	}
	return out
}
