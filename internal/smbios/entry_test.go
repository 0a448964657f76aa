package smbios_test

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"

	"witnessmark/internal/fault"
	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

func TestEntryPoints(t *testing.T) {
	m := dmi.Astrolabe()
	n := uint32(len(m.Table()))
	for name, c := range map[string]struct {
		entry []byte
		want  smbios.EntryPoint
	}{
		"64-bit": {m.EntryPoint64(int(n)), smbios.EntryPoint{Wide: true, Version: smbios.Version{Major: 3, Minor: 3}, TableAddress: 0x20, TableLength: n}},
		"32-bit": {m.EntryPoint32(int(n)), smbios.EntryPoint{Version: smbios.Version{Major: 2, Minor: 8}, TableAddress: 0x20, TableLength: n, Count: uint16(len(m.Structures()))}},
	} {
		if got, err := smbios.ParseEntryPoint(c.entry); err != nil || got != c.want {
			t.Errorf("%s: %+v, %v, want %+v", name, got, err, c.want)
		}
		if got, err := smbios.ParseEntryPoint(append(c.entry, "more behind it"...)); err != nil || got != c.want {
			t.Errorf("%s with bytes behind it: %+v, %v", name, got, err)
		}
		for cut := range c.entry {
			if _, err := smbios.ParseEntryPoint(c.entry[:cut]); err == nil {
				t.Errorf("%s cut to %d bytes was read", name, cut)
			}
		}
	}
}

// TestDamagedEntryPoints flips bits in every byte of both forms: the checksums
// catch every single change, and the table is then read without them.
func TestDamagedEntryPoints(t *testing.T) {
	for _, narrow := range []bool{false, true} {
		m := dmi.Astrolabe()
		m.Entry32 = narrow
		size := len(m.EntryPoint())
		for i := range size {
			dump := m.Dump()
			dump[i] ^= 0x55
			_, err := smbios.DecodeDump(dump)
			if err == nil {
				t.Errorf("32-bit %v: byte %#x changed and still read", narrow, i)
				continue
			}
			if !strings.HasPrefix(err.Error(), "read firmware entry point: ") || fault.HintOf(err) == "" {
				t.Errorf("32-bit %v: byte %#x: error %q, hint %q", narrow, i, err, fault.HintOf(err))
			}
			table := smbios.DecodeWith(dump[:size], m.Table())
			if len(table.Structures) != len(m.Structures()) || len(table.Damage) != 1 || table.Damage[0].Kind != smbios.BadEntry {
				t.Errorf("32-bit %v: byte %#x: %d structures, damage %v", narrow, i, len(table.Structures), table.Damage)
			}
			if _, ok := table.Version.Get(); ok {
				t.Errorf("32-bit %v: byte %#x: a version without a readable entry point", narrow, i)
			}
		}
	}
}

func TestDamagedEntryPointsAgreeWithDmidecode(t *testing.T) {
	for _, narrow := range []bool{false, true} {
		m := dmi.Astrolabe()
		m.Entry32 = narrow
		for i := range len(m.EntryPoint()) {
			dump := m.Dump()
			dump[i] ^= 0x55
			if text := runDmidecode(t, dump); !strings.Contains(text, "No SMBIOS nor DMI entry point found") {
				t.Errorf("32-bit %v: byte %#x changed: dmidecode reads it, we do not", narrow, i)
			}
		}
	}
}

// TestEntryPointLength: a length byte beyond the bytes given, and a damaged
// inner part that the outer checksum was made to fit.
func TestEntryPointLength(t *testing.T) {
	m := dmi.Astrolabe()
	for name, c := range map[string]struct {
		entry     []byte
		at, sumAt int
		value     byte
		want      string
	}{
		"64-bit, too long":  {m.EntryPoint64(100), 0x06, 0x05, 0x19, "25 bytes long"},
		"64-bit, too short": {m.EntryPoint64(100), 0x06, 0x05, 0x10, "16 bytes long"},
		"32-bit, too long":  {m.EntryPoint32(100), 0x05, 0x04, 0xFF, "255 bytes long"},
		"32-bit, inner sum": {m.EntryPoint32(100), 0x16, 0x04, 101, "checksum of the _DMI_ part"},
		"32-bit, no inner":  {m.EntryPoint32(100), 0x10, 0x04, '-', "no _DMI_"},
	} {
		entry := bytes.Clone(c.entry)
		entry[c.at], entry[c.sumAt] = c.value, 0
		entry[c.sumAt] = -sumOf(entry)
		_, err := smbios.ParseEntryPoint(entry[:len(entry):len(entry)])
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", name, err, c.want)
		}
	}
}

func TestMendedVersions(t *testing.T) {
	for given, want := range map[uint8]smbios.Version{31: {Major: 2, Minor: 3}, 33: {Major: 2, Minor: 3}, 51: {Major: 2, Minor: 6}, 8: {Major: 2, Minor: 8}} {
		m := dmi.Astrolabe()
		m.Entry32, m.Major, m.Minor = true, 2, given
		table, err := smbios.DecodeDump(m.Dump())
		if v, ok := table.Version.Get(); err != nil || !ok || v != want {
			t.Errorf("2.%d: %v, %v, want %v", given, table.Version, err, want)
		}
		t.Run("dmidecode", func(t *testing.T) {
			if text := runDmidecode(t, m.Dump()); !strings.Contains(text, "SMBIOS "+want.String()) {
				t.Errorf("2.%d: dmidecode does not say %v:\n%.200s", given, want, text)
			}
		})
	}
}

func TestDumpsThatPointNowhere(t *testing.T) {
	m := dmi.Astrolabe()
	for _, address := range []uint64{0, 0x17, uint64(len(m.Dump())) + 1, 0xE8D40, 1 << 63, 1<<64 - 1} {
		dump := m.Dump()
		binary.LittleEndian.PutUint64(dump[0x10:], address)
		dump[5] = 0
		dump[5] = -sumOf(dump[:0x18])
		_, err := smbios.DecodeDump(dump)
		if err == nil || !strings.Contains(err.Error(), "offset") {
			t.Errorf("table at %#x: error %v", address, err)
		}
	}
}

func sumOf(b []byte) (s byte) {
	for _, c := range b {
		s += c
	}
	return s
}

// TestAnnouncedAndFound has entry points that do not fit the table.
func TestAnnouncedAndFound(t *testing.T) {
	m := dmi.Astrolabe()
	table := m.Table()
	for name, c := range map[string]struct {
		entry, table []byte
		want         []smbios.DamageKind
	}{
		"all fits":                       {m.EntryPoint32(len(table)), table, nil},
		"64-bit, room to spare":          {m.EntryPoint64(len(table) + 500), table, nil},
		"32-bit, padded, cut by kernel":  {m.EntryPoint32(len(table) + 500), table, nil},
		"padding behind the end":         {m.EntryPoint64(len(table) + 64), append(bytes.Clone(table), bytes.Repeat([]byte{0xFF}, 64)...), nil},
		"zeros behind the end":           {m.EntryPoint32(len(table) + 64), append(bytes.Clone(table), make([]byte, 64)...), nil},
		"fewer bytes announced":          {m.EntryPoint64(len(table) - 30), table, []smbios.DamageKind{smbios.WrongLength}},
		"file cut":                       {m.EntryPoint64(len(table)), table[:len(table)-7], []smbios.DamageKind{smbios.Cut, smbios.WrongLength}},
		"more structures announced":      {withCount(m.EntryPoint32(len(table)), 99), table, []smbios.DamageKind{smbios.WrongCount}},
		"fewer structures announced":     {withCount(m.EntryPoint32(len(table)), 3), table, []smbios.DamageKind{smbios.WrongCount}},
		"no bytes":                       {m.EntryPoint64(len(table)), nil, []smbios.DamageKind{smbios.NoEnd, smbios.WrongLength}},
		"more announced and end padding": {withCount(m.EntryPoint32(len(table)+9), 99), append(bytes.Clone(table), make([]byte, 9)...), []smbios.DamageKind{smbios.WrongCount}},
	} {
		got := smbios.DecodeWith(c.entry, c.table)
		var kinds []smbios.DamageKind
		for _, d := range got.Damage {
			kinds = append(kinds, d.Kind)
		}
		if len(kinds) != len(c.want) || !bytes.Equal(asBytes(kinds), asBytes(c.want)) {
			t.Errorf("%s: damage %v, want kinds %v", name, got.Damage, c.want)
		}
	}
}

func asBytes(kinds []smbios.DamageKind) (b []byte) {
	for _, k := range kinds {
		b = append(b, byte(k))
	}
	return b
}

func withCount(entry []byte, n uint16) []byte {
	binary.LittleEndian.PutUint16(entry[0x1C:], n)
	entry[0x15] = 0
	entry[0x15] = -sumOf(entry[0x10:])
	entry[0x04] = 0
	entry[0x04] = -sumOf(entry)
	return entry
}

// TestStructuresBehindTheEnd: with a 32-bit entry point that counts them in,
// structures behind type 127 are read; without a count they are not.
func TestStructuresBehindTheEnd(t *testing.T) {
	m := dmi.Astrolabe()
	behind := append(m.Table(), 200, 6, 0x34, 0x12, 1, 2, 'v', 'e', 'n', 'd', 'o', 'r', 0, 0)
	n := len(m.Structures())
	counted := smbios.DecodeWith(withCount(m.EntryPoint32(len(behind)), uint16(n+1)), behind)
	if len(counted.Structures) != n+1 || len(counted.Damage) != 0 || counted.Structures[n].Type != 200 {
		t.Errorf("32-bit: %d structures, want %d; damage %v", len(counted.Structures), n+1, counted.Damage)
	}
	if wide := smbios.DecodeWith(m.EntryPoint64(len(behind)), behind); len(wide.Structures) != n || len(wide.Damage) != 0 {
		t.Errorf("64-bit: %d structures, want %d; damage %v", len(wide.Structures), n, wide.Damage)
	}
}

func TestDecodeWindows(t *testing.T) {
	m := dmi.Astrolabe()
	table := m.Table()
	raw := append([]byte{0, 3, 3, 0}, binary.LittleEndian.AppendUint32(nil, uint32(len(table)))...)
	raw = append(raw, table...)
	got, err := smbios.DecodeWindows(raw)
	if err != nil || len(got.Damage) > 0 || len(got.Modules()) != 4 || got.Version.String() != "3.3" {
		t.Errorf("%d modules, version %v, damage %v, %v", len(got.Modules()), got.Version, got.Damage, err)
	}
	if _, err := smbios.DecodeWindows(raw[:7]); err == nil {
		t.Error("7 bytes were read")
	}
	if cut, err := smbios.DecodeWindows(raw[:100]); err != nil || len(cut.Structures) == 0 || len(cut.Damage) != 2 {
		t.Errorf("cut: %d structures, damage %v, %v", len(cut.Structures), cut.Damage, err)
	}
}
