package smbios_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// offsetOf finds the n-th structure of a type in a table, for tests that then
// write into it.
func offsetOf(t *testing.T, table []byte, kind uint8, n int) int {
	t.Helper()
	for _, s := range smbios.Decode(table).Structures {
		if s.Type == kind {
			if n == 0 {
				return s.Offset
			}
			n--
		}
	}
	t.Fatalf("no structure of type %d", kind)
	return 0
}

// compare holds readings against what dmidecode printed of one structure.
func compare(t *testing.T, printed block, readings ...reading) {
	t.Helper()
	for _, r := range readings {
		if value, ok := printed[r.label]; !ok {
			t.Errorf("dmidecode prints no %q", r.label)
		} else if !r.same(value) {
			t.Errorf("%s is %q, dmidecode says %q", r.label, r.ours, value)
		}
	}
}

// plainReading compares the text of a value letter by letter.
func plainReading(label string, v fmt.Stringer) reading {
	return reading{label, v.String(), func(theirs string) bool { return theirs == v.String() }}
}

func TestMachineAgreesWithDmidecode(t *testing.T) {
	m := dmi.Astrolabe()
	m.Firmware.ECMajor, m.Firmware.ECMinor = 3, 14
	m.Chassis.Asset, m.System.Serial = "To Be Filled By O.E.M.", ""
	m.Processors = []dmi.Processor{dmi.Sextant("CPU0"), dmi.Sextant("CPU1"), {Socket: "CPU2", Empty: true}}
	m.Processors[1].Cores, m.Processors[1].Enabled, m.Processors[1].Threads = 300, 255, 600
	dump := m.Dump()
	table, err := smbios.DecodeDump(dump)
	if err != nil {
		t.Fatal(err)
	}
	theirs := blocks(runDmidecode(t, dump))

	f, _ := table.Firmware()
	compare(t, theirs[0x0000], textReading("Vendor", f.Maker), textReading("Version", f.Version), textReading("Release Date", f.Date),
		plainReading("BIOS Revision", f.Release), plainReading("Firmware Revision", f.ECRelease))
	s, _ := table.System()
	compare(t, theirs[0x0100], textReading("Manufacturer", s.Maker), textReading("Product Name", s.Product), textReading("Version", s.Version),
		textReading("Serial Number", s.Serial), plainReading("UUID", s.UUID), textReading("SKU Number", s.SKU), textReading("Family", s.Family))
	b, _ := table.Board()
	compare(t, theirs[0x0200], textReading("Manufacturer", b.Maker), textReading("Product Name", b.Product), textReading("Version", b.Version),
		textReading("Serial Number", b.Serial), textReading("Asset Tag", b.Asset))
	c, _ := table.Chassis()
	compare(t, theirs[0x0300], textReading("Manufacturer", c.Maker), wordReading("Type", c.Kind), textReading("Version", c.Version),
		textReading("Serial Number", c.Serial), textReading("Asset Tag", c.Asset), textReading("SKU Number", c.SKU))
	compareProcessors(t, table.Processors(), theirs)
	compareMemoryMap(t, table, theirs)
}

func compareProcessors(t *testing.T, all []smbios.Processor, theirs map[smbios.Handle]block) {
	t.Helper()
	if len(all) != 3 {
		t.Fatalf("%d processors, want 3", len(all))
	}
	for _, p := range all {
		if in, ok := p.Populated.Get(); !ok || in != strings.HasPrefix(theirs[p.Handle]["Status"], "Populated") {
			t.Errorf("%v: populated is %v, dmidecode says %q", p.Socket, p.Populated, theirs[p.Handle]["Status"])
		}
		r := []reading{
			textReading("Socket Designation", p.Socket), textReading("Manufacturer", p.Maker), textReading("Version", p.Version),
			textReading("Serial Number", p.Serial), textReading("Asset Tag", p.Asset), textReading("Part Number", p.Part),
			numberReading("Max Speed", "MHz", p.MaxSpeed), numberReading("Current Speed", "MHz", p.CurrentSpeed),
		}
		if in, _ := p.Populated.Get(); in { // dmidecode prints no counts it does not know
			r = append(r, numberReading("Core Count", "", p.Cores), numberReading("Core Enabled", "", p.CoresEnabled), numberReading("Thread Count", "", p.Threads))
		} else if p.Cores.State() != smbios.NotGiven || p.Threads.State() != smbios.NotGiven {
			t.Errorf("an empty socket has %v cores and %v threads", p.Cores, p.Threads)
		}
		compare(t, theirs[p.Handle], r...)
	}
}

func compareMemoryMap(t *testing.T, table smbios.Table, theirs map[smbios.Handle]block) {
	t.Helper()
	a := table.Arrays()[0]
	compare(t, theirs[a.Handle], wordReading("Use", a.Use), wordReading("Error Correction Type", a.ECC),
		sizeReading("Maximum Capacity", a.Max), numberReading("Number Of Devices", "", a.Slots))
	r := table.ArrayRanges()[0]
	compare(t, theirs[0x1300], sizeReading("Range Size", r.Size()), wordReading("Physical Array Handle", r.Array), numberReading("Partition Width", "", r.PartitionWidth),
		addressReading("Starting Address", r.First), addressReading("Ending Address", r.Last))
	for i, slot := range table.Slots() {
		compare(t, theirs[smbios.Handle(0x0900+i)], textReading("Designation", slot.Designation), wordReading("Current Usage", slot.Usage),
			plainReading("Bus Address", slot.Address),
			reading{"Type", slot.Width.String(), func(theirs string) bool { return strings.HasPrefix(theirs, slot.Width.String()+" ") }})
	}
}

func addressReading(label string, v smbios.Value[smbios.Address]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		a, ok := v.Get()
		n, err := strconv.ParseUint(strings.TrimPrefix(theirs, "0x"), 16, 64)
		return ok && err == nil && n == uint64(a)
	}}
}

// TestCodesAgreeWithDmidecode tries every code of every table with a name in
// it, and one beyond.
func TestCodesAgreeWithDmidecode(t *testing.T) {
	for _, c := range []struct {
		kind   uint8
		offset int
		codes  int
		read   func(smbios.Table) reading
	}{
		{3, 0x05, 0x25, func(t smbios.Table) reading { c, _ := t.Chassis(); return wordReading("Type", c.Kind) }},
		{16, 0x05, 0x08, func(t smbios.Table) reading { return wordReading("Use", t.Arrays()[0].Use) }},
		{16, 0x06, 0x08, func(t smbios.Table) reading { return wordReading("Error Correction Type", t.Arrays()[0].ECC) }},
		{9, 0x07, 0x05, func(t smbios.Table) reading { return wordReading("Current Usage", t.Slots()[0].Usage) }},
		{17, 0x0E, 0x10, func(t smbios.Table) reading { return wordReading("Form Factor", t.Modules()[0].Form) }},
		{17, 0x12, 0x23, func(t smbios.Table) reading { return wordReading("Type", t.Modules()[0].Type) }},
		{17, 0x28, 0x06, func(t smbios.Table) reading { return wordReading("Memory Technology", t.Modules()[0].Technology) }},
	} {
		m := dmi.Astrolabe()
		m.Modules = dmi.Fill(1, 1, dmi.MeridianDDR4())
		entry := m.Dump()[:0x20]
		at := offsetOf(t, m.Table(), c.kind, 0)
		for code := 0; code <= c.codes; code++ {
			table := m.Table()
			table[at+c.offset] = byte(code)
			r := c.read(smbios.Decode(table))
			handle := smbios.Handle(table[at+2]) | smbios.Handle(table[at+3])<<8
			value := blocks(runDmidecode(t, append(entry[:0x20:0x20], table...)))[handle][r.label]
			if !r.same(value) {
				t.Errorf("type %d, code %#x: %s is %q, dmidecode says %q", c.kind, code, r.label, r.ours, value)
			}
		}
	}
}

// TestReservedBitsAgreeWithDmidecode writes values that the builder would not.
func TestReservedBitsAgreeWithDmidecode(t *testing.T) {
	m := dmi.Astrolabe()
	module := dmi.MeridianDDR4()
	module.Size, module.RatedMTs, module.ConfiguredMTs = 64*dmi.GiB, 70000, 68000
	m.Modules = dmi.Fill(1, 1, module)
	for name, c := range map[string]struct {
		kind    uint8
		offset  int
		bytes   []byte
		read    func(smbios.Table) reading
		printed bool // or dmidecode keeps quiet where we do not know
	}{
		"extended size": {17, 0x1F, []byte{0x80}, func(t smbios.Table) reading { return sizeReading("Size", t.Modules()[0].Size) }, true},
		"rank":          {17, 0x1B, []byte{0xF2}, func(t smbios.Table) reading { return numberReading("Rank", "", t.Modules()[0].Rank) }, true},
		"width 0":       {17, 0x08, []byte{0, 0}, func(t smbios.Table) reading { return numberReading("Total Width", "bits", t.Modules()[0].TotalWidth) }, true},
		"chassis lock":  {3, 0x05, []byte{0x83}, func(t smbios.Table) reading { c, _ := t.Chassis(); return wordReading("Type", c.Kind) }, true},
		"release 5.255": {0, 0x14, []byte{5, 0xFF}, func(t smbios.Table) reading { f, _ := t.Firmware(); return plainReading("BIOS Revision", f.Release) }, false},
		"no EC release": {0, 0x16, []byte{0xFF, 3}, func(t smbios.Table) reading {
			f, _ := t.Firmware()
			return plainReading("Firmware Revision", f.ECRelease)
		}, false},
		"bad string": {17, 0x1A, []byte{9}, func(t smbios.Table) reading { return textReading("Part Number", t.Modules()[0].Part) }, true},
	} {
		table := m.Table()
		at := offsetOf(t, table, c.kind, 0)
		copy(table[at+c.offset:], c.bytes)
		r := c.read(smbios.Decode(table))
		handle := smbios.Handle(table[at+2]) | smbios.Handle(table[at+3])<<8
		value, printed := blocks(runDmidecode(t, append(m.Dump()[:0x20:0x20], table...)))[handle][r.label]
		switch {
		case printed && !r.same(value):
			t.Errorf("%s: %s is %q, dmidecode says %q", name, r.label, r.ours, value)
		case !printed && (c.printed || !strings.HasPrefix(r.ours, "(")):
			t.Errorf("%s: %s is %q, dmidecode prints nothing", name, r.label, r.ours)
		}
	}
}

// TestReservedBits is the same for what dmidecode 3.4 shows otherwise or not
// at all.
func TestReservedBits(t *testing.T) {
	module := dmi.MeridianDDR4()
	module.Size, module.RatedMTs, module.ConfiguredMTs = 64*dmi.GiB, 70000, 68000
	m := dmi.Astrolabe()
	m.Modules = dmi.Fill(1, 1, module)
	for name, c := range map[string]struct {
		kind   uint8
		offset int
		bytes  []byte
		field  string
		want   string
	}{
		"extended rate, bit 31": {17, 0x57, []byte{0x80}, "Modules[0].Rated", "70000 MT/s"},
		"extended rate 0":       {17, 0x54, []byte{0, 0, 0, 0}, "Modules[0].Rated", "(not given by the firmware)"},
		"extended size 0":       {17, 0x1C, []byte{0, 0, 0, 0}, "Modules[0].Size", "(not given by the firmware)"},
		"0 KiB":                 {17, 0x0C, []byte{0, 0x80}, "Modules[0].Size", "(not given by the firmware)"},
		"handle not given":      {17, 0x04, []byte{0xFE, 0xFF}, "Modules[0].Array", "(not given by the firmware)"},
		"handle without error":  {17, 0x04, []byte{0xFF, 0xFF}, "Modules[0].Array", "(not given by the firmware)"},
		"detail unknown":        {17, 0x13, []byte{4, 0}, "Modules[0].Detail", "(not given by the firmware)"},
		"no slot address":       {9, 0x0D, []byte{0xFF, 0xFF, 0xFF, 0xFF}, "Slots[0].Address", "(not given by the firmware)"},
		"255 cores or more":     {4, 0x23, []byte{0xFF, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF}, "Processors[0].Cores", "(not given by the firmware)"},
	} {
		table := m.Table()
		copy(table[offsetOf(t, table, c.kind, 0)+c.offset:], c.bytes)
		if got := describe(smbios.Decode(table))[c.field]; got != c.want {
			t.Errorf("%s: %s is %q, want %q", name, c.field, got, c.want)
		}
	}
}

// TestChassisSKUBehindElements has the reference to the SKU stand behind a list
// of two contained elements of three bytes.
func TestChassisSKUBehindElements(t *testing.T) {
	chassis := append([]byte{3, 0x1C, 0, 3, 1, 3}, make([]byte, 0x1C-6)...)
	chassis[0x13], chassis[0x14], chassis[0x1B] = 2, 3, 2
	table := append(append(chassis, "Armillary Systems\x00C7\x00\x00"...), 127, 4, 0, 0, 0, 0)
	entry := dmi.Machine{}.EntryPoint64(len(table))
	c, _ := smbios.Decode(table).Chassis()
	if c.SKU.String() != "C7" {
		t.Errorf("SKU is %v, want C7", c.SKU)
	}
	compare(t, blocks(runDmidecode(t, append(append(entry, make([]byte, 8)...), table...)))[0x0300], textReading("SKU Number", c.SKU))
}

func TestCapacities(t *testing.T) {
	for name, c := range map[string]struct {
		max  dmi.Bytes
		size dmi.Bytes
		want string
	}{
		"KiB field":       {64 * dmi.GiB, 16 * dmi.GiB, "64 GiB, 0x0 to 0x7ffffffff"},
		"just below":      {2047 * dmi.GiB, 16 * dmi.GiB, "2047 GiB, 0x0 to 0x7ffffffff"},
		"extended field":  {2048 * dmi.GiB, 16 * dmi.GiB, "2 TiB, 0x0 to 0x7ffffffff"},
		"extended range":  {16384 * dmi.GiB, 4096 * dmi.GiB, "16 TiB, 0x0 to 0x7ffffffffff"},
		"no whole module": {0, 512 * dmi.KiB, "(not given by the firmware), 0x0 to 0xfffff"},
	} {
		m := dmi.Astrolabe()
		module := dmi.MeridianDDR4()
		module.Size = c.size
		m.Array.Max, m.Modules = c.max, dmi.Fill(2, 2, module)
		table := smbios.Decode(m.Table())
		r := table.ArrayRanges()[0]
		if got := fmt.Sprintf("%v, %v to %v", table.Arrays()[0].Max, r.First, r.Last); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if got, ok := r.Size().Get(); !ok || uint64(got) != uint64(2*c.size) {
			t.Errorf("%s: range spans %v, want twice %d bytes", name, r.Size(), c.size)
		}
	}
}

func TestRangeThatEndsBeforeItStarts(t *testing.T) {
	table := dmi.Astrolabe().Table()
	at := offsetOf(t, table, 19, 0)
	copy(table[at+4:], []byte{0, 0, 0, 2, 0, 0, 0, 1})
	if s := smbios.Decode(table).ArrayRanges()[0].Size().State(); s != smbios.Broken {
		t.Errorf("state %v, want broken", s)
	}
}

// TestUUIDOrder checks both byte orders, and that neither all zeros nor all
// ones is taken for a machine's name.
func TestUUIDOrder(t *testing.T) {
	const text = "6f1d02c4-5a77-4e10-9b3e-51208c44d90b"
	for _, version := range []smbios.Version{{2, 4}, {2, 5}, {2, 6}, {2, 8}, {3, 3}} {
		m := dmi.Astrolabe()
		m.Entry32, m.Major, m.Minor = true, version.Major, version.Minor
		table, err := smbios.DecodeDump(m.Dump())
		if err != nil {
			t.Fatal(err)
		}
		s, _ := table.System()
		if s.UUID.String() != text {
			t.Errorf("version %v: %v, want %s", version, s.UUID, text)
		}
		t.Run("dmidecode", func(t *testing.T) {
			compare(t, lower(blocks(runDmidecode(t, m.Dump()))[0x0100]), plainReading("UUID", s.UUID))
		})
	}
	for _, b := range []byte{0x00, 0xFF} {
		m := dmi.Astrolabe()
		for i := range m.System.UUID {
			m.System.UUID[i] = b
		}
		if s, _ := smbios.Decode(m.Table()).System(); s.UUID.State() != smbios.NotGiven {
			t.Errorf("all bytes %#x: %v, want not given", b, s.UUID)
		}
	}
	if s, _ := smbios.Decode(dmi.Astrolabe().Table()).System(); s.UUID.String() != text {
		t.Errorf("without an entry point: %v, want %s", s.UUID, text)
	}
}

// lower is for UUIDs, which dmidecode 3.4 prints in capitals before 2.6.
func lower(b block) block {
	out := block{}
	for k, v := range b {
		out[k] = strings.ToLower(v)
	}
	return out
}

func TestBoardIsTheHostingOne(t *testing.T) {
	m := dmi.Astrolabe()
	riser := m
	riser.Board.Product = "Riser R2"
	table := riser.Table()
	at := offsetOf(t, table, 2, 0)
	table[at+9] = 0 // hosts nothing
	both := append(table[at:at+len(m.Structures()[2])-len(m.Board.Product)+len("Riser R2")], m.Table()...)
	decoded := smbios.Decode(both)
	if n := len(decoded.Boards()); n != 2 {
		t.Fatalf("%d boards, want 2", n)
	}
	if b, _ := decoded.Board(); b.Product.String() != "Astrolabe X1" {
		t.Errorf("board is %v, want the hosting one", b.Product)
	}
}

func TestNothingThere(t *testing.T) {
	m := dmi.Machine{OmitEnd: true}
	end := smbios.Decode([]byte{127, 4, 0, 0, 0, 0})
	for name, found := range map[string]func() bool{
		"firmware": func() bool { _, ok := end.Firmware(); return ok },
		"system":   func() bool { _, ok := end.System(); return ok },
		"board":    func() bool { _, ok := end.Board(); return ok },
		"chassis":  func() bool { _, ok := end.Chassis(); return ok },
		"modules":  func() bool { return end.Modules() != nil || end.Arrays() != nil || end.ArrayRanges() != nil },
	} {
		if found() {
			t.Errorf("%s found in an empty table", name)
		}
	}
	s, ok := smbios.Decode(m.Table()).System()
	if !ok || s.Serial.State() != smbios.NotGiven || s.UUID.State() != smbios.NotGiven {
		t.Errorf("a system without texts: %v, %+v", ok, s)
	}
}

// TestFieldsAreGatedByLength cuts the formatted part of each structure shorter
// byte by byte: what is left must read the same or be absent.
func TestFieldsAreGatedByLength(t *testing.T) {
	m := dmi.Astrolabe()
	m.Firmware.ECMajor, m.Firmware.ECMinor = 3, 14
	for field, value := range describe(smbios.Decode(m.Table())) {
		if strings.Contains(value, "absent") {
			t.Errorf("whole table: %s is %q", field, value)
		}
	}
	for i, whole := range m.Structures() {
		full := describe(smbios.Decode(whole))
		for length := int(whole[1]); length >= 4; length-- {
			cut := append([]byte{whole[0], byte(length)}, whole[2:length]...)
			cut = append(cut, whole[whole[1]:]...)
			for field, value := range describe(smbios.Decode(cut)) {
				unsaid := strings.HasSuffix(field, ".Populated") && length < 0x0E && value == "true"
				if value != full[field] && !strings.Contains(value, "absent") && !unsaid {
					t.Errorf("structure %d of %d bytes: %s is %q, whole it is %q", i, length, field, value, full[field])
				}
			}
		}
	}
}
