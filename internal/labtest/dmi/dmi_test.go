package dmi_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
)

// dmidecode runs the outside decoder over a dump, or skips the test.
func dmidecode(t *testing.T, dump []byte, args ...string) string {
	t.Helper()
	path, err := exec.LookPath("dmidecode")
	if err != nil { // on the path of root only
		path, err = exec.LookPath("/usr/sbin/dmidecode")
	}
	if err != nil {
		t.Skip("skipped: dmidecode is not installed, so there is no outside decoder to hold the tables against")
	}
	file := filepath.Join(t.TempDir(), "dump")
	if err := os.WriteFile(file, dump, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(path, append([]string{"--from-dump", file}, args...)...).CombinedOutput()
	if err != nil {
		t.Fatalf("dmidecode: %v\n%s", err, out)
	}
	return string(out)
}

func TestDumpReadsBack(t *testing.T) {
	big := dmi.MeridianDDR5()
	big.Size, big.RatedMTs, big.ConfiguredMTs = 64*dmi.GiB, 70000, 68000
	for name, c := range map[string]struct {
		change func(*dmi.Machine)
		want   []string
	}{
		"as it is": {func(*dmi.Machine) {}, []string{"SMBIOS 3.3.0 present", "Product Name: Astrolabe X1", "Vendor: Orbital Firmware",
			"UUID: 6f1d02c4-5a77-4e10-9b3e-51208c44d90b", "Locator: DIMM_A2", "Speed: 3200 MT/s", "Size: 8 GB", "No Module Installed", "Thread Count: 12", "Maximum Capacity: 128 GB", "Range Size: 16 GB"}},
		"32-bit":        {func(m *dmi.Machine) { m.Entry32 = true }, []string{"SMBIOS 2.8 present", "structures occupying"}},
		"old UUID":      {func(m *dmi.Machine) { m.Entry32, m.Major, m.Minor = true, 2, 4 }, []string{"SMBIOS 2.4 present", "6F1D02C4-5A77-4E10-9B3E-51208C44D90B"}},
		"default speed": {func(m *dmi.Machine) { m.Configure(2400) }, []string{"Speed: 3200 MT/s", "Configured Memory Speed: 2400 MT/s"}},
		"extended":      {func(m *dmi.Machine) { m.Modules = dmi.Fill(4, 4, big) }, []string{"Size: 64 GB", "Speed: 70000 MT/s", "Configured Memory Speed: 68000 MT/s", "Range Size: 256 GB"}},
		"KiB":           {func(m *dmi.Machine) { m.Modules[0].Size = 512 * dmi.KiB }, []string{"Size: 512 kB"}},
		"many cores":    {func(m *dmi.Machine) { m.Processors[0].Cores = 300 }, []string{"Core Count: 300"}},
		"large array":   {func(m *dmi.Machine) { m.Array.Max = 4096 * dmi.GiB }, []string{"Maximum Capacity: 4 TB"}},
	} {
		t.Run(name, func(t *testing.T) {
			m := dmi.Astrolabe()
			c.change(&m)
			out := dmidecode(t, m.Dump())
			for _, w := range c.want {
				if !strings.Contains(strings.ToLower(out), strings.ToLower(w)) {
					t.Errorf("dmidecode does not say %q", w)
				}
			}
			for _, bad := range []string{"Wrong", "Broken", "Invalid", "<BAD INDEX>", "announced", "<OUT OF SPEC>"} {
				if strings.Contains(out, bad) {
					t.Errorf("dmidecode complains: %q", bad)
				}
			}
			if t.Failed() {
				t.Log(out)
			}
		})
	}
}

func TestFillOrder(t *testing.T) {
	for _, c := range []struct {
		slots, populated int
		want             string
	}{
		{4, 2, "DIMM_A2 DIMM_B2"}, {4, 1, "DIMM_A2"}, {4, 3, "DIMM_A1 DIMM_A2 DIMM_B2"},
		{2, 2, "DIMM_A1 DIMM_B1"}, {1, 1, "DIMM_A1"}, {4, 9, "DIMM_A1 DIMM_A2 DIMM_B1 DIMM_B2"}, {0, 2, ""},
	} {
		var got []string
		for _, m := range dmi.Fill(c.slots, c.populated, dmi.MeridianDDR4()) {
			if m.Size != 0 {
				got = append(got, m.Locator)
			}
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("Fill(%d, %d) populates %q, want %q", c.slots, c.populated, s, c.want)
		}
	}
}
