package smbios_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// The oracle is dmidecode 3.4: an independent decoder whose text, for good
// tables, ours must agree with field by field.

// oracleVersion is the one whose wording these tests know.
const oracleVersion = "3.4"

// oracle finds dmidecode, in the system folder too, which is on the path of
// root only.
var oracle = sync.OnceValues(func() (path, lack string) {
	for _, name := range []string{"dmidecode", "/usr/sbin/dmidecode"} {
		path, err := exec.LookPath(name)
		if err != nil {
			continue
		}
		out, err := exec.Command(path, "--version").Output()
		if v := strings.TrimSpace(string(out)); err != nil || v != oracleVersion {
			return "", fmt.Sprintf("dmidecode is of version %q, not %s, whose wording these tests know", v, oracleVersion)
		}
		return path, ""
	}
	return "", "dmidecode is not installed, so there is no outside decoder to agree with"
})

// runDmidecode gives its text for a dump file.
func runDmidecode(t *testing.T, dump []byte) string {
	t.Helper()
	path, lack := oracle()
	if path == "" {
		t.Skip("skipped: " + lack)
	}
	file := filepath.Join(t.TempDir(), "dump")
	if err := os.WriteFile(file, dump, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(path, "--from-dump", file).CombinedOutput()
	if err != nil && len(out) == 0 {
		t.Fatalf("dmidecode: %v", err)
	}
	return string(out)
}

// block is what dmidecode printed of one structure: label to value.
type block map[string]string

// blocks takes dmidecode's text apart by handle. Lists that follow a label on
// lines of their own are left out.
func blocks(text string) map[smbios.Handle]block {
	all := map[smbios.Handle]block{}
	var now block
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		if h, ok := strings.CutPrefix(line, "Handle 0x"); ok {
			n, _ := strconv.ParseUint(h[:4], 16, 16)
			now = block{}
			all[smbios.Handle(n)] = now
			continue
		}
		label, value, ok := strings.Cut(line, ":")
		if ok && strings.HasPrefix(line, "\t") && !strings.HasPrefix(line, "\t\t") {
			now[strings.TrimSpace(label)] = strings.TrimPrefix(value, " ")
		}
	}
	return all
}

// reading says how one of our fields compares to a value dmidecode printed.
type reading struct {
	label string
	ours  string
	same  func(theirs string) bool
}

func textReading(label string, t smbios.Text) reading {
	return reading{label, t.String(), func(theirs string) bool {
		switch t.State() {
		case smbios.NotGiven:
			return theirs == "Not Specified"
		case smbios.Broken:
			return theirs == "<BAD INDEX>"
		}
		raw, ok := t.Raw()
		return ok && strings.TrimSpace(raw) == strings.TrimSpace(theirs)
	}}
}

// wordReading compares names whatever their capitals; a code without a name in
// our table must be out of its tables too.
func wordReading[T fmt.Stringer](label string, v smbios.Value[T]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		w, ok := v.Get()
		switch {
		case !ok:
			return theirs == "Unknown" || theirs == "<OUT OF SPEC>" || theirs == "None" || theirs == "Unspecified"
		case strings.HasPrefix(w.String(), "code "):
			return theirs == "<OUT OF SPEC>" || theirs == "Reserved"
		}
		return strings.EqualFold(strings.ReplaceAll(w.String(), ",", ""), theirs)
	}}
}

// numberReading compares a number in the unit named, "" for none.
func numberReading[T ~uint8 | ~uint16 | ~uint32](label, unit string, v smbios.Value[T]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		n, ok := v.Get()
		if !ok {
			return theirs == "Unknown"
		}
		return theirs == strings.TrimSpace(fmt.Sprintf("%d %s", uint64(n), unit))
	}}
}

func voltReading(label string, v smbios.Value[smbios.Millivolts]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		mv, ok := v.Get()
		volts, err := strconv.ParseFloat(strings.TrimSuffix(theirs, " V"), 64)
		return !ok && theirs == "Unknown" || err == nil && math.Round(volts*1000) == float64(mv)
	}}
}

func sizeReading(label string, v smbios.Value[smbios.Bytes]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		b, ok := v.Get()
		if theirs == "No Module Installed" {
			return ok && b == 0
		}
		if theirs == "Unknown" {
			return !ok
		}
		number, unit, _ := strings.Cut(theirs, " ")
		n, err := strconv.ParseUint(number, 10, 64)
		size, found := map[string]smbios.Bytes{"kB": smbios.KiB, "MB": smbios.MiB, "GB": smbios.GiB, "TB": smbios.TiB}[unit]
		return ok && err == nil && found && smbios.Bytes(n)*size == b
	}}
}

func moduleReadings(m smbios.Module) []reading {
	return []reading{
		wordReading("Array Handle", m.Array),
		numberReading("Total Width", "bits", m.TotalWidth),
		numberReading("Data Width", "bits", m.DataWidth),
		sizeReading("Size", m.Size),
		wordReading("Form Factor", m.Form),
		textReading("Locator", m.Locator),
		textReading("Bank Locator", m.Bank),
		wordReading("Type", m.Type),
		wordReading("Type Detail", m.Detail),
		numberReading("Speed", "MT/s", m.Rated),
		textReading("Manufacturer", m.Maker),
		textReading("Serial Number", m.Serial),
		textReading("Asset Tag", m.Asset),
		textReading("Part Number", m.Part),
		numberReading("Rank", "", m.Rank),
		numberReading("Configured Memory Speed", "MT/s", m.Configured),
		voltReading("Minimum Voltage", m.MinVoltage),
		voltReading("Maximum Voltage", m.MaxVoltage),
		voltReading("Configured Voltage", m.ConfiguredVoltage),
		wordReading("Memory Technology", m.Technology),
		textReading("Firmware Version", m.Firmware),
		makerReading("Module Manufacturer ID", m.MakerID),
	}
}

func makerReading(label string, v smbios.Value[smbios.JEP106]) reading {
	return reading{label, v.String(), func(theirs string) bool {
		id, ok := v.Get()
		if !ok {
			return theirs == "Unknown"
		}
		return theirs == fmt.Sprintf("Bank %d, Hex 0x%02X", id.Bank(), id.Code())
	}}
}

// printedFrom is the length of a type 17 from which on dmidecode 3.4 prints a
// label; it goes by the lengths of published versions, where we go by field.
var printedFrom = map[string]int{
	"Speed": 0x17, "Manufacturer": 0x1B, "Serial Number": 0x1B, "Asset Tag": 0x1B, "Part Number": 0x1B, "Rank": 0x1C,
	"Configured Memory Speed": 0x22, "Minimum Voltage": 0x28, "Maximum Voltage": 0x28, "Configured Voltage": 0x28,
	"Memory Technology": 0x34, "Firmware Version": 0x34, "Module Manufacturer ID": 0x34,
}

// oddModules are the cases that type 17 has special rules for.
func oddModules() []dmi.Module {
	var out []dmi.Module
	add := func(change func(*dmi.Module)) {
		m := dmi.MeridianDDR4()
		m.Locator, m.Bank = fmt.Sprintf("DIMM_%d", len(out)), "CHANNEL A"
		change(&m)
		out = append(out, m)
	}
	add(func(m *dmi.Module) {})
	add(func(m *dmi.Module) { *m = dmi.EmptySlot("DIMM_B1", "CHANNEL B") })
	add(func(m *dmi.Module) { m.Size = dmi.UnknownSize })
	add(func(m *dmi.Module) { m.Size = 512 * dmi.KiB })
	add(func(m *dmi.Module) { m.Size = 32767 * dmi.KiB })
	add(func(m *dmi.Module) { m.Size = 32766 * dmi.MiB })
	add(func(m *dmi.Module) { m.Size = 32767 * dmi.MiB })
	add(func(m *dmi.Module) { m.Size = 256 * dmi.GiB })
	add(func(m *dmi.Module) { m.Size = 4096 * dmi.GiB })
	add(func(m *dmi.Module) { m.RatedMTs, m.ConfiguredMTs = 70000, 68000 })
	add(func(m *dmi.Module) { m.RatedMTs, m.ConfiguredMTs = 65534, 65535 })
	add(func(m *dmi.Module) { m.RatedMTs, m.ConfiguredMTs = 65535, 65534 })
	add(func(m *dmi.Module) { m.RatedMTs, m.ConfiguredMTs = 0, 0 })
	add(func(m *dmi.Module) { m.RatedMTs, m.ConfiguredMTs = 3200, 2133 })
	add(func(m *dmi.Module) { m.TotalBits, m.DataBits = 72, 64; m.Detail = 1<<7 | 1<<13; m.Rank = 2 })
	add(func(m *dmi.Module) { m.TotalBits, m.DataBits, m.Rank = 0, 0, 0 })
	add(func(m *dmi.Module) { m.ConfiguredMV, m.MinMV, m.MaxMV = 0, 0, 0 })
	add(func(m *dmi.Module) { m.ConfiguredMV, m.MinMV, m.MaxMV = 1255, 1, 12000 })
	add(func(m *dmi.Module) {
		m.Maker, m.Part, m.Serial, m.Asset = "Unknown", "   ", "00000000", "Default string"
	})
	add(func(m *dmi.Module) { m.Maker, m.Part, m.Serial, m.Asset = "", "", "", "" })
	add(func(m *dmi.Module) { m.Part = "MM4-3200-8G         " })
	add(func(m *dmi.Module) { m.MakerID = 0x2C80 })
	return out
}

func TestModulesAgreeWithDmidecodeAtEveryLength(t *testing.T) {
	lengths := []int{0x64}
	for l := 0x15; l <= 0x5C; l++ {
		lengths = append(lengths, l)
	}
	for _, length := range lengths {
		t.Run(fmt.Sprintf("%#x", length), func(t *testing.T) {
			m := dmi.Astrolabe()
			m.ModuleLength, m.Modules, m.Entry32 = length, oddModules(), length%2 == 0
			compareModules(t, m)
		})
	}
}

func TestRandomModulesAgreeWithDmidecode(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 4))
	for round := range 12 {
		m := dmi.Astrolabe()
		m.ModuleLength, m.Modules = 0x15+r.IntN(0x64-0x15+1), nil
		for range 40 {
			m.Modules = append(m.Modules, randomModule(r))
		}
		t.Run(fmt.Sprintf("round %d, length %#x", round, m.ModuleLength), func(t *testing.T) { compareModules(t, m) })
	}
}

func randomModule(r *rand.Rand) dmi.Module {
	speeds := []uint32{0, 1, 667, 2133, 4800, 65533, 65534, 65535, 65536, 1<<31 - 1}
	sizes := []dmi.Bytes{0, dmi.UnknownSize, dmi.KiB, 640 * dmi.KiB, dmi.MiB, 8 * dmi.GiB, 31 * dmi.GiB, 32 * dmi.GiB, 96 * dmi.GiB, 2048 * dmi.GiB}
	d := dmi.MeridianDDR4()
	d.Locator = "DIMM " + strconv.Itoa(r.IntN(100))
	d.Type, d.Form, d.Detail = uint8(1+r.IntN(0x23)), uint8(1+r.IntN(0x10)), uint16(r.Uint32())&^1
	d.Size = sizes[r.IntN(len(sizes))]
	d.RatedMTs, d.ConfiguredMTs = speeds[r.IntN(len(speeds))], speeds[r.IntN(len(speeds))]
	d.Rank, d.ConfiguredMV = uint8(r.IntN(16)), uint16(r.IntN(3000))
	d.TotalBits, d.DataBits = uint16(r.IntN(200)), uint16(r.IntN(200))
	d.MakerID, d.Technology = uint16(r.Uint32()), uint8(1+r.IntN(6))
	return d
}

// compareModules decodes m's dump both ways and compares every module's every
// printed field.
func compareModules(t *testing.T, m dmi.Machine) {
	t.Helper()
	table, err := smbios.DecodeDump(m.Dump())
	if err != nil {
		t.Fatal(err)
	}
	if len(table.Damage) > 0 {
		t.Errorf("damage in a whole table: %v", table.Damage)
	}
	theirs := blocks(runDmidecode(t, m.Dump()))
	ours := table.Modules()
	if len(ours) != len(m.Modules) {
		t.Fatalf("%d modules, want %d", len(ours), len(m.Modules))
	}
	for i, o := range ours {
		built, printed := m.Modules[i], theirs[o.Handle]
		if o.Populated() != (built.Size != 0) {
			t.Errorf("%v: populated is %v, built with %v", o.Locator, o.Populated(), built.Size)
		}
		for _, r := range moduleReadings(o) {
			value, found := printed[r.label]
			switch {
			case !found && (!o.Populated() || m.ModuleLength < printedFrom[r.label]):
			case !found:
				t.Errorf("%v: dmidecode prints no %q", o.Locator, r.label)
			case !r.same(value):
				t.Errorf("%v: %s is %q, dmidecode says %q", o.Locator, r.label, r.ours, value)
			}
		}
	}
}
