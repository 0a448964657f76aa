package smbios

import "fmt"

// DamageKind is the way in which a table does not add up.
type DamageKind uint8

// The kinds. The first four end the walk; what was read before them stands.
const (
	Cut         DamageKind = iota + 1 // the bytes end inside a structure
	BadLength                         // a structure says it is shorter than its own header
	TooMany                           // more than MaxStructures
	NoEnd                             // the bytes end without an end structure
	TooLarge                          // more than MaxTable bytes; the rest was not looked at
	WrongCount                        // the entry point announces another number of structures
	WrongLength                       // the entry point announces another number of bytes
	BadEntry                          // the entry point itself cannot be read
)

// Damage is one thing that is wrong with a table.
type Damage struct {
	Kind   DamageKind
	Offset int    // into the table, where it was found
	What   string // the thing: "type 17, handle 0x1101"
	Why    string // "its 92 bytes reach 12 past the end"
}

// String gives one line: what, where, why.
func (d Damage) String() string {
	return fmt.Sprintf("%s: offset %#x: %s", d.What, d.Offset, d.Why)
}
