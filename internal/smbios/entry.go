package smbios

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"witnessmark/internal/fault"
)

// EntryPoint is the anchor in front of a table.
type EntryPoint struct {
	Wide    bool    // the 64-bit form, _SM3_
	Version Version // what the firmware claims; says nothing about a structure's fields

	TableAddress uint64 // in memory, or in a dump file
	TableLength  uint32 // in bytes: exact in the 32-bit form, an upper bound in the 64-bit one
	Count        uint16 // structures in the table; 0 in the 64-bit form, which has no count
}

// Sizes of the two forms. Firmware of version 2.1 was told a length one short.
const (
	entry32Size      = 0x1F
	entry32ShortSize = 0x1E
	entry64Size      = 0x18
)

// ParseEntryPoint reads either form from the start of b and checks its
// checksums. Errors name the form and what is wrong with it.
func ParseEntryPoint(b []byte) (EntryPoint, error) {
	switch {
	case bytes.HasPrefix(b, []byte("_SM3_")):
		return parseEntry64(b)
	case bytes.HasPrefix(b, []byte("_SM_")):
		return parseEntry32(b)
	case len(b) == 0:
		return EntryPoint{}, entryFault("", errors.New("no bytes at all"))
	}
	return EntryPoint{}, entryFault("", fmt.Errorf("neither _SM_ nor _SM3_ at the start, but %q", b[:min(len(b), 5)]))
}

func parseEntry64(b []byte) (EntryPoint, error) {
	if err := checkEntry(b, 0x06, entry64Size); err != nil {
		return EntryPoint{}, entryFault("_SM3_", err)
	}
	return EntryPoint{
		Wide:         true,
		Version:      Version{b[0x07], b[0x08]},
		TableLength:  binary.LittleEndian.Uint32(b[0x0C:]),
		TableAddress: binary.LittleEndian.Uint64(b[0x10:]),
	}, nil
}

func parseEntry32(b []byte) (EntryPoint, error) {
	if err := checkEntry(b, 0x05, entry32ShortSize); err != nil {
		return EntryPoint{}, entryFault("_SM_", err)
	}
	if len(b) < entry32Size {
		return EntryPoint{}, entryFault("_SM_", fmt.Errorf("%d bytes where %d are needed", len(b), entry32Size))
	}
	if !bytes.Equal(b[0x10:0x15], []byte("_DMI_")) {
		return EntryPoint{}, entryFault("_SM_", fmt.Errorf("no _DMI_ at offset 0x10, but %q", b[0x10:0x15]))
	}
	if s := sum(b[0x10:entry32Size]); s != 0 {
		return EntryPoint{}, entryFault("_SM_", fmt.Errorf("checksum of the _DMI_ part is off by 0x%02x", s))
	}
	return EntryPoint{
		Version:      mended(Version{b[0x06], b[0x07]}),
		TableLength:  uint32(binary.LittleEndian.Uint16(b[0x16:])),
		TableAddress: uint64(binary.LittleEndian.Uint32(b[0x18:])),
		Count:        binary.LittleEndian.Uint16(b[0x1C:]),
	}, nil
}

// checkEntry checks the length byte at lengthAt and the checksum over that many
// bytes.
func checkEntry(b []byte, lengthAt, least int) error {
	if len(b) < least {
		return fmt.Errorf("%d bytes where %d are needed", len(b), least)
	}
	length := int(b[lengthAt])
	if length < least || length > len(b) {
		return fmt.Errorf("says that it is %d bytes long, where %d to %d are possible", length, least, len(b))
	}
	if s := sum(b[:length]); s != 0 {
		return fmt.Errorf("checksum is off by 0x%02x", s)
	}
	return nil
}

// mended puts right three versions that firmware is known to have got wrong:
// 2.31 and 2.33 for 2.3, and 2.51 for 2.6. From memory; dmidecode mends the
// same three.
func mended(v Version) Version {
	switch v {
	case Version{2, 31}, Version{2, 33}:
		return Version{2, 3}
	case Version{2, 51}:
		return Version{2, 6}
	}
	return v
}

func sum(b []byte) (s byte) {
	for _, c := range b {
		s += c
	}
	return s
}

func entryFault(form string, why error) error {
	return fault.New("read firmware entry point", form, why).
		WithHint("the table itself may still be whole; it is in /sys/firmware/dmi/tables/DMI")
}
