package smbios

import (
	"encoding/binary"
	"errors"
	"fmt"

	"witnessmark/internal/fault"
)

// Limits on what is looked at. Real tables have a few hundred structures in a
// few tens of kibibytes.
const (
	MaxTable      = 1 << 20 // bytes
	MaxStructures = 8192
)

// Table is what could be read of a table, and what could not.
type Table struct {
	Version    Value[Version] // from the entry point; Absent without one
	Structures []Structure    // in the order they stand in, the end structure included
	Damage     []Damage       // empty for a table that adds up
}

// Decode reads a table that comes without an entry point. It never fails: what
// is wrong is in Damage.
func Decode(table []byte) Table {
	w := walk(table, 0)
	return Table{Structures: w.structures, Damage: w.damage}
}

// DecodeWith reads a table together with the entry point that announced it, as
// Linux gives them in two files. An entry point that cannot be read is damage
// too; the table is then read without it.
func DecodeWith(entry, table []byte) Table {
	e, err := ParseEntryPoint(entry)
	if err != nil {
		t := Decode(table)
		t.Damage = append([]Damage{{Kind: BadEntry, What: "entry point", Why: cause(err)}}, t.Damage...)
		return t
	}
	return decodeAnnounced(e, table)
}

// DecodeDump reads a dump file: an entry point at its start and the table at
// the offset that the entry point names. It fails when there is no entry point
// or it points outside the file; everything else is in Damage.
func DecodeDump(dump []byte) (Table, error) {
	e, err := ParseEntryPoint(dump)
	if err != nil {
		return Table{}, err
	}
	if e.TableAddress < entry64Size || e.TableAddress > uint64(len(dump)) {
		return Table{}, fault.New("read firmware dump", "", fmt.Errorf(
			"the entry point puts the table at offset %#x of %d bytes", e.TableAddress, len(dump))).
			WithHint("a dump holds the entry point and the table in one file; entry point and table read separately need no dump")
	}
	table := dump[e.TableAddress:]
	return decodeAnnounced(e, table[:min(len(table), int(e.TableLength))]), nil
}

// DecodeWindows reads what Windows hands out as the raw firmware table of the
// provider RSMB: eight bytes with version and length, then the table.
func DecodeWindows(raw []byte) (Table, error) {
	if len(raw) < 8 {
		return Table{}, fault.New("read firmware table", "RSMB", errors.New("shorter than its header of 8 bytes"))
	}
	e := EntryPoint{Wide: true, Version: Version{raw[1], raw[2]}, TableLength: binary.LittleEndian.Uint32(raw[4:])}
	return decodeAnnounced(e, raw[8:]), nil
}

func decodeAnnounced(e EntryPoint, table []byte) Table {
	w := walk(table, int(e.Count))
	t := Table{Version: known(e.Version), Structures: w.structures, Damage: w.damage}
	if d, ok := wrongLength(e, len(table), w); ok {
		t.Damage = append(t.Damage, d)
	}
	if n := len(t.Structures); !e.Wide && n != int(e.Count) {
		t.Damage = append(t.Damage, Damage{Kind: WrongCount, Offset: w.end, What: "structure count",
			Why: fmt.Sprintf("the entry point announces %d structures, %d were read", e.Count, n)})
	}
	return t
}

// wrongLength compares the bytes announced with those given. The kernel cuts
// what it hands out behind the end structure, so fewer bytes are only wrong
// when the end was not among them.
func wrongLength(e EntryPoint, given int, w walked) (Damage, bool) {
	d := Damage{Kind: WrongLength, Offset: w.end, What: "table length"}
	announced := int64(e.TableLength)
	switch {
	case int64(w.end) > announced:
		d.Why = fmt.Sprintf("the entry point announces %d bytes, the structures take %d", announced, w.end)
	case int64(given) < announced && !w.ended:
		d.Why = fmt.Sprintf("the entry point announces %d bytes, only %d are here", announced, given)
	default:
		return Damage{}, false
	}
	return d, true
}

// of returns the structures of one type.
func (t Table) of(kind uint8) []Structure {
	var out []Structure
	for _, s := range t.Structures {
		if s.Type == kind {
			out = append(out, s)
		}
	}
	return out
}

// first returns the first structure of one type.
func (t Table) first(kind uint8) (Structure, bool) {
	for _, s := range t.Structures {
		if s.Type == kind {
			return s, true
		}
	}
	return Structure{}, false
}

// cause gives the innermost text of a fault, which says why without repeating
// what and where.
func cause(err error) string {
	var f *fault.Error
	if errors.As(err, &f) && f.Where != "" {
		return f.Where + ": " + f.Why.Error()
	} else if f != nil {
		return f.Why.Error()
	}
	return err.Error()
}
