package probe

import (
	"fmt"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/smbios"
)

const (
	tableFile   = "sys/firmware/dmi/tables/DMI"
	entryFile   = "sys/firmware/dmi/tables/smbios_entry_point"
	tableSource = "/" + tableFile
)

// firmwareTable is the firmware's description of the machine, or why there is none.
type firmwareTable struct {
	smbios.Table
	err error
}

func readFirmwareTable(t *Tree) firmwareTable {
	b, err := t.ReadUpTo(tableFile, smbios.MaxTable)
	if err != nil {
		return firmwareTable{err: err}
	}
	entry, err := t.Read(entryFile)
	if err != nil {
		return firmwareTable{Table: smbios.Decode(b)}
	}
	return firmwareTable{Table: smbios.DecodeWith(entry, b)}
}

// saysVirtual reports bit 4 of the second extension byte of type 0: the table
// describes a virtual machine. Offset 0x13, from memory of DSP0134.
func (f firmwareTable) saysVirtual() bool {
	for _, st := range f.Structures {
		if st.Type == 0 && st.Length() > 0x13 {
			return st.Formatted()[0x13]&(1<<4) != 0
		}
	}
	return false
}

// entry is a text of the table.
func (f firmwareTable) entry(kind int, text smbios.Text, there bool) reading {
	source := fmt.Sprintf("%s: type %d", tableSource, kind)
	switch {
	case f.err != nil:
		return failed(source, f.err)
	case !there:
		return unread(source, rig.Absent, "not in the table")
	}
	return tableText(source, text)
}

func tableText(source string, text smbios.Text) reading {
	if s, ok := text.Get(); ok {
		return textReading(source, s)
	}
	return unread(source, stateReason(text.State()), text.State().String())
}

// stateReason is the reason behind the state of a field in the table.
func stateReason(state smbios.State) rig.Reason {
	switch state {
	case smbios.Absent:
		return rig.Absent
	case smbios.Broken:
		return rig.Implausible
	}
	return rig.Unknown
}

// firmware puts board, system and firmware. The kernel gives most of it to
// everyone under class/dmi/id; the table stands in where that is missing.
func (s *sheet) firmware() {
	t := s.table
	fw, hasFW := t.Firmware()
	sys, hasSys := t.System()
	board, hasBoard := t.Board()
	id := func(file string, kind int, text smbios.Text, there bool) reading {
		return firstOf(given(s.file("sys/class/dmi/id/"+file)), t.entry(kind, text, there))
	}
	s.put("firmware.maker", id("bios_vendor", 0, fw.Maker, hasFW))
	s.put("firmware.version", id("bios_version", 0, fw.Version, hasFW))
	s.put("firmware.date", id("bios_date", 0, fw.Date, hasFW))
	s.put("firmware.release", firstOf(s.file("sys/class/dmi/id/bios_release"), t.release(fw.Release, hasFW)))
	s.put("firmware.controller_release", firstOf(s.file("sys/class/dmi/id/ec_firmware_release"), t.release(fw.ECRelease, hasFW)))

	s.put("machine.maker", id("sys_vendor", 1, sys.Maker, hasSys))
	s.put("machine.model", firstOf(id("product_name", 1, sys.Product, hasSys), s.file("proc/device-tree/model")))
	s.putHashed("machine.serial", id("product_serial", 1, sys.Serial, hasSys))
	s.putHashed("machine.uuid", s.uuid(sys, hasSys))

	s.put("board.maker", id("board_vendor", 2, board.Maker, hasBoard))
	s.put("board.model", id("board_name", 2, board.Product, hasBoard))
	s.put("board.revision", id("board_version", 2, board.Version, hasBoard))
	s.putHashed("board.serial", id("board_serial", 2, board.Serial, hasBoard))

	s.put("firmware.mode", s.bootMode())
	s.put("firmware.secure_boot", s.secureBoot())
	s.put("firmware.tables", t.state())
}

func (f firmwareTable) release(v smbios.Value[smbios.Release], there bool) reading {
	source := tableSource + ": type 0"
	switch release, ok := v.Get(); {
	case f.err != nil:
		return failed(source, f.err)
	case !there:
		return unread(source, rig.Absent, "not in the table")
	case !ok:
		return unread(source, stateReason(v.State()), v.State().String())
	default:
		return textReading(source, release.String())
	}
}

func (s *sheet) uuid(sys smbios.System, there bool) reading {
	r := s.file("sys/class/dmi/id/product_uuid")
	if text, ok := r.value.Text(); ok {
		r.value = rig.TextOf(strings.ToLower(text)) // kernels differ in case
		return r
	}
	u, ok := sys.UUID.Get()
	switch {
	case ok:
		return textReading(tableSource+": type 1", u.String())
	case there:
		return firstOf(r, unread(tableSource+": type 1", stateReason(sys.UUID.State()), sys.UUID.State().String()))
	}
	return r
}

// state is the version the table claims and what is wrong with it.
func (f firmwareTable) state() reading {
	if f.err != nil {
		return failed(tableSource, f.err)
	}
	text := "SMBIOS"
	if v, ok := f.Version.Get(); ok {
		text += " " + v.String()
	}
	switch n := len(f.Damage); {
	case n > 1:
		text += fmt.Sprintf(", damaged: %s; and %d more", f.Damage[0], n-1)
	case n == 1:
		text += ", damaged: " + f.Damage[0].String()
	}
	return textReading(tableSource, text)
}

// bootMode tells what started the kernel by what it left in sys/firmware. That
// there is no efi says something only of a listing that is whole, as the live
// one is and a captured one with more than the table in it.
func (s *sheet) bootMode() reading {
	const dir = "sys/firmware"
	names, err := s.tree.List(dir)
	if err != nil {
		return failed("/"+dir, err)
	}
	met := map[string]bool{}
	for _, n := range names {
		met[n] = true
	}
	switch {
	case met["efi"]:
		return textReading("/"+dir+"/efi", "UEFI")
	case met["devicetree"]:
		return textReading("/"+dir+"/devicetree", "device tree")
	case met["acpi"], met["dmi"] && s.tree.Live():
		return textReading("/"+dir, "legacy")
	}
	return unread("/"+dir, rig.Unknown, "nothing there tells")
}

// secureBoot reads the firmware's variable: four bytes of attributes, then 0 or 1.
func (s *sheet) secureBoot() reading {
	const file = "sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
	b, err := s.tree.Read(file)
	if err != nil {
		return failed("/"+file, err)
	}
	if len(b) != 5 || b[4] > 1 {
		return unread("/"+file, rig.Implausible, fmt.Sprintf("%d bytes", len(b)))
	}
	return truthReading("/"+file, b[4] == 1)
}
