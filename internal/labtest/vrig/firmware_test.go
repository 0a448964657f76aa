package vrig

import (
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

const (
	entryFile = "/sys/firmware/dmi/tables/smbios_entry_point"
	tableFile = "/sys/firmware/dmi/tables/DMI"
)

// What the kernel hands over of memory that runs below its rating.
func TestFirmwareTablesAsTheKernelHandsThemOver(t *testing.T) {
	for _, test := range []struct {
		name    string
		modules int
		entry   EntryPoint
	}{
		{"one module, 64-bit entry point", 1, Entry64},
		{"two modules, 32-bit entry point", 2, Entry32},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			m := dmi.Astrolabe()
			m.Modules = dmi.Fill(4, test.modules, dmi.MeridianDDR4())
			m.Configure(2400)
			r := start(t, Config{Firmware: m.Structures(), EntryPoint: test.entry}, "dump", entryFile, tableFile, "/sys/class/dmi/id/board_name")
			if code, err := r.Wait(); code != 0 || err != nil {
				t.Fatalf("Wait() = %d, %v", code, err)
			}
			entry, table := dumped(t, r, entryFile), dumped(t, r, tableFile)
			if name := dumped(t, r, "/sys/class/dmi/id/board_name"); string(name) != m.Board.Product+"\n" {
				t.Errorf("the kernel calls the board %q, want %q", name, m.Board.Product)
			}
			checkEntry(t, entry, test.entry)
			checkModules(t, smbios.DecodeWith(entry, table), test.modules)
			checkWithDmidecode(t, table, test.modules)
		})
	}
}

// dumped finds a file's bytes in what "payload dump" printed.
func dumped(t *testing.T, r *Rig, file string) []byte {
	t.Helper()
	_, rest, _ := strings.Cut("\n"+r.Console(), "\n"+file+" ")
	digits, _, _ := strings.Cut(rest, "\n")
	b, err := hex.DecodeString(digits)
	if err != nil || len(b) == 0 {
		t.Fatalf("%s: %v; got %q", file, err, digits)
	}
	return b
}

func checkEntry(t *testing.T, entry []byte, want EntryPoint) {
	t.Helper()
	e, err := smbios.ParseEntryPoint(entry)
	if err != nil || e.Wide != (want == Entry64) {
		t.Errorf("entry point: %+v, %v, want form %d", e, err, want)
	}
}

func checkModules(t *testing.T, table smbios.Table, want int) {
	t.Helper()
	for _, d := range table.Damage {
		t.Error(d)
	}
	populated := 0
	for _, m := range table.Modules() {
		if !m.Populated() {
			continue
		}
		populated++
		rated, _ := m.Rated.Get()
		configured, _ := m.Configured.Get()
		if rated != 3200 || configured != 2400 {
			t.Errorf("%s: rated %s, configured %s, want 3200 and 2400 MT/s", m.Locator, m.Rated, m.Configured)
		}
	}
	if populated != want || len(table.Modules()) != 4 {
		t.Errorf("%d of %d slots populated, want %d of 4", populated, len(table.Modules()), want)
	}
}

// checkWithDmidecode has a decoder that is not ours read the same table.
func checkWithDmidecode(t *testing.T, table []byte, want int) {
	t.Helper()
	program, err := exec.LookPath("dmidecode")
	if err != nil {
		t.Log("dmidecode is not installed: the table was only read by our own decoder")
		return
	}
	// The entry point that the kernel gave names a place in memory, not in a file.
	const tableOffset = 0x20
	dump := make([]byte, tableOffset)
	copy(dump, dmi.Machine{}.EntryPoint64(len(table)))
	file := filepath.Join(t.TempDir(), "dump")
	if err := os.WriteFile(file, append(dump, table...), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(program, "--from-dump", file, "--type", "17").CombinedOutput()
	if err != nil {
		t.Fatalf("dmidecode: %v\n%s", err, out)
	}
	rated := strings.Count(string(out), "\tSpeed: 3200 MT/s")
	configured := strings.Count(string(out), "\tConfigured Memory Speed: 2400 MT/s")
	if rated != want || configured != want {
		t.Errorf("dmidecode reads %d modules rated 3200 and %d configured 2400, want %d of each:\n%s", rated, configured, want, out)
	}
}
