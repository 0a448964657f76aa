package probe

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/labtest/trees"
	"witnessmark/internal/rig"
)

// plantRig writes an invented rig and opens it.
func plantRig(t testing.TB, r trees.Rig, more ...files) *Tree {
	t.Helper()
	dir := t.TempDir()
	if err := trees.Write(dir, r); err != nil {
		t.Fatal(err)
	}
	for _, f := range more {
		f.write(t, dir)
	}
	return open(t, dir)
}

func read(t *Tree) rig.Snapshot { return Snapshot(context.Background(), t, Options{}) }

// wellFormed holds what must be true of every snapshot, whatever it was read from.
func wellFormed(t testing.TB, s rig.Snapshot) {
	t.Helper()
	for i, f := range s.Facts {
		if err := f.Check(); err != nil {
			t.Error(err)
		}
		if i > 0 && rig.Compare(s.Facts[i-1].Key, f.Key) >= 0 {
			t.Errorf("%s does not come after %s", f.Key, s.Facts[i-1].Key)
		}
		e, known := rig.Lookup(f.Key)
		if !known {
			t.Errorf("%s is not in the catalogue", f.Key)
		}
		if f.Value.Kind() == rig.Number && f.Unit != e.Unit {
			t.Errorf("%s has unit %q, the catalogue %q", f.Key, f.Unit, e.Unit)
		}
		text, _ := f.Value.Text()
		for _, s := range []string{string(f.Key), text, f.Source, f.Unread.Detail} {
			if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
				t.Errorf("%.40q holds %.80q, which is not fit to print", f.Key, s)
			}
			if strings.Contains(s, os.TempDir()) {
				t.Errorf("%s shows where the tree lies: %q", f.Key, s)
			}
		}
		if f.Source == "" {
			t.Errorf("%s says nothing of where it was read", f.Key)
		}
	}
	for _, e := range rig.Catalogue {
		if _, ok := s.Find(e.Key); !ok && !strings.Contains(string(e.Key), "[]") {
			t.Errorf("%s is neither read nor unread", e.Key)
		}
	}
}

// want holds facts against what is expected of them: numbers, texts and truths
// by value, a rig.Reason for one that must be unread.
func want(t *testing.T, s rig.Snapshot, facts map[rig.Key]any) {
	t.Helper()
	for k, w := range facts {
		f, ok := s.Find(k)
		if !ok {
			t.Errorf("%s is missing", k)
			continue
		}
		var got any = f.Unread.Reason
		switch f.Value.Kind() {
		case rig.Number:
			got, _ = f.Value.Number()
		case rig.Text:
			got, _ = f.Value.Text()
		case rig.Truth:
			got, _ = f.Value.Truth()
		}
		if n, isInt := w.(int); isInt {
			w = float64(n)
		}
		if got != w {
			t.Errorf("%s is %v (%v), want %v", k, got, f.Unread, w)
		}
	}
}

func TestEmptyTreeGivesNothing(t *testing.T) {
	for _, root := range []string{"PROC", "SYS", "ETC", "VAR", "RUN", "DEV", "ROOT", "PROC_MOUNTINFO"} {
		t.Setenv("HOST_"+root, "/"+strings.ToLower(root)) // what gopsutil would fall back to
	}
	for name, tree := range map[string]*Tree{
		"nothing": plant(t), "directories": plant(t, files{"proc/": "", "sys/": "", "etc/": ""}),
		"links": plant(t, files{"proc": "-> /proc", "sys": "-> /sys", "etc": "-> ../../../../../../etc"}),
	} {
		t.Run(name, func(t *testing.T) {
			s := Snapshot(context.Background(), tree, Options{Window: time.Millisecond})
			wellFormed(t, s)
			for _, f := range s.Facts {
				if f.Read() {
					t.Errorf("%s is %v, from nothing", f.Key, f.Value)
				}
			}
		})
	}
}

// TestNothingOfThisMachine reads invented rigs and looks for values that only
// the machine running the test can have given.
func TestNothingOfThisMachine(t *testing.T) {
	live, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer live.Close()
	here := Snapshot(context.Background(), live, Options{Plain: true})
	wellFormed(t, here)
	own := map[string]rig.Key{}
	for _, f := range here.Facts {
		text, ok := f.Value.Text()
		if n, isNumber := f.Value.Number(); isNumber && n > 1000 && n != float64(int(n)/64*64) {
			text, ok = f.Value.String(), true
		}
		if ok && len(text) > 5 && !slices.Contains([]string{"performance", "powersave", "madvise", "default", "notsupported", "Not affected"}, text) {
			own[text] = f.Key
		}
	}
	for _, r := range trees.All() {
		tree := plantRig(t, r.Rig)
		for _, f := range Snapshot(context.Background(), tree, Options{Plain: true, Window: time.Millisecond}).Facts {
			if k := own[f.Value.String()]; k == f.Key && !strings.Contains(string(k), "vulnerab") && k != "kernel.preemption" {
				t.Errorf("%s: %s is %v, as on this machine", r.Dir, k, f.Value)
			}
		}
	}
}

func TestInventedRigs(t *testing.T) {
	heron := map[rig.Key]any{
		"cpu.model": "Sextant 4 Model 440", "cpu.sockets": 1, "cpu.cores": 4, "cpu.threads": 4, "cpu.smt": "notsupported",
		"cpu.microcode": "0x2f", "cpu.governor": "performance", "cpu.turbo": true, "cpu.clock_max": 4200, "cpu.clock_limit": 4200,
		"cpu.offline": "none", "cpu.isolated": "none", "cpu.throttle_count": 0, "cpu.power_limit[package-0 long_term]": 65,
		"memory.modules": 2, "memory.slots": 4, "memory.size": 16384, "memory.type": "DDR4", "memory.rated_speed": 3200, "memory.speed": 3200,
		"memory.channels_populated": 2, "memory.channels": 2, "memory.ecc": "None", "memory.total": 15872.2,
		"memory.module[DIMM_A2].size": 8192, "memory.module[DIMM_A2].rated_speed": 3200, "memory.module[DIMM_A2].speed": 3200,
		"memory.module[DIMM_A2].part": "MM4-3200-8G", "memory.module[DIMM_A2].rank": 1, "memory.module[DIMM_A1].size": 0,
		"firmware.version": "1.40", "firmware.date": "03/14/2031", "firmware.mode": "UEFI", "firmware.secure_boot": false, "firmware.tables": "SMBIOS 3.3",
		"board.model": "Astrolabe X1", "machine.virtual": false, "kernel.release": "6.12.40-dome", "kernel.command_line": "quiet ro", "kernel.clocksource": "tsc",
		"kernel.mitigations":       "Mitigation: 3, Not affected: 2, Vulnerable: 1 (gather_data_sampling)",
		"link[0000:01:00.0].width": 16, "link[0000:01:00.0].width_max": 16, "link[0000:01:00.0].speed_max": 16, "link[0000:01:00.0].kind": "graphics",
		"graphics[0000:01:00.0].driver": "amdgpu", "graphics[0000:01:00.0].aperture": 8192, "drive[0000:02:00.0].firmware": "AD1.07",
		"network[enp3s0].speed": 1000, "load.idle_before": rig.Absent, "disk.free": rig.Absent, "clock.offset": rig.Absent, "host.name": "heron",
		"temperature[nct6798/nct6775.656 AUXTIN0]": rig.Implausible, "temperature[coretemp/coretemp.0 Package id 0].crit": 100,
	}
	differ := map[string]map[rig.Key]any{
		"heron":              {},
		"heron-default":      {"memory.speed": 2400, "memory.module[DIMM_A2].speed": 2400},
		"heron-half":         {"memory.channels_populated": 1, "memory.module[DIMM_A1].size": 8192, "memory.module[DIMM_A1].part": "MM4-3200-8G"},
		"heron-throttling":   {"cpu.clock_limit": 2200, "cpu.throttle_count": 4*412 + 397},
		"heron-narrow":       {"link[0000:01:00.0].width": 8, "link[0000:00:01.0].width": 8},
		"heron-updated":      {"firmware.version": "1.52", "firmware.date": "11/02/2031", "cpu.microcode": "0x34", "kernel.mitigations": "Mitigation: 4, Not affected: 2"},
		"heron-unprivileged": nil, "hidden": nil, "plover": nil, "avocet": nil,
	}
	for _, r := range trees.All() {
		s := read(plantRig(t, r.Rig))
		t.Run(r.Dir, func(t *testing.T) {
			wellFormed(t, s)
			changes, listed := differ[r.Dir]
			if !listed {
				t.Errorf("nobody says what is expected of %s", r.Dir)
			}
			if changes == nil {
				return
			}
			for k, v := range heron {
				if _, changed := changes[k]; !changed {
					changes[k] = v
				}
			}
			want(t, s, changes)
		})
		switch r.Dir {
		case "heron-unprivileged":
			want(t, s, map[rig.Key]any{"memory.speed": rig.Denied, "memory.modules": rig.Denied, "machine.serial": rig.Denied, "board.model": "Astrolabe X1"})
			if f, _ := s.Find("memory.speed"); f.Unread.Detail != "needs CAP_DAC_READ_SEARCH" {
				t.Errorf("memory.speed: %v", f.Unread)
			}
		case "hidden":
			want(t, s, map[rig.Key]any{"machine.virtual": true, "memory.speed": rig.Absent, "cpu.governor": rig.Absent, "cpu.cores": 4})
		case "plover":
			want(t, s, map[rig.Key]any{"cpu.kinds": "atom 2-5, core 0-1", "cpu.kind[core].cores": 1, "cpu.kind[core].threads": 2, "cpu.kind[atom].cores": 4,
				"cpu.clock_limit": 5000, "cpu.policy[2-5].clock_limit": 3800, "cpu.policy[2-5].clock_max": 3800, "cpu.cache[L2 2-5].size": 2048})
		}
	}
}

func TestEveryFactHasAReader(t *testing.T) {
	met := map[rig.Key]bool{}
	note := func(s rig.Snapshot) {
		for _, f := range s.Facts {
			if f.Read() {
				met[f.Key.Family()] = true
			}
		}
	}
	for _, r := range trees.All() {
		note(read(plantRig(t, r.Rig)))
	}
	note(read(plantRig(t, trees.Heron(), everythingElse)))
	for _, e := range rig.Catalogue {
		if !met[e.Key] {
			t.Errorf("%s was read nowhere", e.Key)
		}
	}
}

// everythingElse is what no invented rig has.
var everythingElse = files{
	"sys/devices/system/cpu/nohz_full": "2-3\n", "sys/devices/system/cpu/cpufreq/policy0/bios_limit": "4200000\n",
	"sys/devices/system/cpu/cpufreq/policy1/bios_limit": "4200000\n", "sys/devices/system/cpu/cpufreq/policy2/bios_limit": "4000000\n",
	"sys/devices/system/cpu/cpufreq/policy3/bios_limit": "4200000\n",
	"sys/devices/system/edac/mc/mc0/ce_count":           "3\n",
	"sys/devices/system/edac/mc/mc0/ue_count":           "0\n",
	"sys/devices/pci0000:00/0000:00:01.0/hwmon/x/name":  "amdgpu\n",
	"sys/class/dmi/id/ec_firmware_release":              "1.9\n",
	"sys/class/hwmon/hwmon9/name":                       "lm75\n",
	"sys/class/hwmon/hwmon9/temp1_input":                "31000\n",
	"sys/class/hwmon/hwmon9/temp1_emergency":            "95000\n",
	"proc/stat.later":                                   "cpu  99999999 0 99999999 99999999999 0 0 0 0 0 0\n",
	"proc/7/stat":                                       "7 (tar) S 1 7 7 0 -1 0 0 0 0 0 10 10 0 0 20 0 1 0 5 0 0\n",
	"proc/7/stat.later":                                 "7 (tar) S 1 7 7 0 -1 0 0 0 0 0 90000000 10 0 0 20 0 1 0 5 0 0\n",
	askedDir + "/adjtimex":                              "synchronised=1 maxerror_us=1200 offset_us=-3.5",
	askedDir + "/diskfree":                              "1073741824",
	"sys/devices/system/cpu/amd_pstate/status":          "active\n",
	"sys/firmware/acpi/platform_profile":                "balanced\n",
	"sys/devices/pci0000:00/0000:00:01.0/aer_dev_fatal": "DLP 0\nTOTAL_ERR_FATAL 0\n",
}

func TestEmptyFilesAreNotZeros(t *testing.T) {
	tree := trees.Of(trees.Heron())
	for name := range tree.Files {
		tree.Files[name] = nil
	}
	dir := t.TempDir()
	if err := tree.Write(dir); err != nil {
		t.Fatal(err)
	}
	s := read(open(t, dir))
	wellFormed(t, s)
	for _, f := range s.Facts {
		if f.Key != "cpu.numa_nodes" && (f.Value.Kind() == rig.Number || f.Value.Kind() == rig.Truth) { // nodes are directories
			t.Errorf("%s is %v, from an empty file", f.Key, f.Value)
		}
	}
}

// spoilt is a rig's tree in which files hold junk, or are not files at all.
func spoilt(t testing.TB, r trees.Rig, random *rand.Rand, spoil func(*rand.Rand, []byte) string) *Tree {
	t.Helper()
	dir := t.TempDir()
	tree := trees.Of(r)
	f := files{}
	for _, name := range slices.Sorted(maps.Keys(tree.Files)) {
		f[name] = spoil(random, tree.Files[name])
	}
	for name, link := range tree.Links {
		f[name] = "-> " + link
	}
	f.write(t, dir)
	return open(t, dir)
}

func TestJunkGivesOnlyWellFormedFacts(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	ways := map[string]func(*rand.Rand, []byte) string{
		"random bytes": func(r *rand.Rand, _ []byte) string { return randomBytes(r, r.IntN(300)) },
		"one byte off": func(r *rand.Rand, b []byte) string {
			b = slices.Clone(b)
			if len(b) > 0 {
				b[r.IntN(len(b))] ^= 1 << r.IntN(8)
			}
			return string(b)
		},
		"cut short":   func(r *rand.Rand, b []byte) string { return string(b[:r.IntN(len(b)+1)]) },
		"pipes":       func(*rand.Rand, []byte) string { return "|" },
		"loops":       func(r *rand.Rand, _ []byte) string { return "-> ../" + string(rune('a'+r.IntN(26))) },
		"huge":        func(r *rand.Rand, b []byte) string { return strings.Repeat(string(b)+"9", 1+r.IntN(300)) },
		"huge number": func(*rand.Rand, []byte) string { return "99999999999999999999999999\n" },
		"negative":    func(*rand.Rand, []byte) string { return "-5\n" },
	}
	for _, name := range slices.Sorted(maps.Keys(ways)) { // which draw from one source
		t.Run(name, func(t *testing.T) {
			tree := spoilt(t, trees.Plover(), random, ways[name])
			done := make(chan rig.Snapshot, 1)
			go func() { done <- read(tree) }()
			select {
			case s := <-done:
				wellFormed(t, s)
			case <-time.After(time.Minute):
				t.Fatal("reading never ended")
			}
		})
	}
}

func randomBytes(r *rand.Rand, n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	if len(b) > 0 && b[0] == '|' || strings.HasPrefix(string(b), "-> ") {
		b[0] = 'x'
	}
	return string(b)
}

func TestDirectoriesWhereFilesShouldBe(t *testing.T) {
	tree := trees.Of(trees.Heron())
	dir := t.TempDir()
	for name := range tree.Files {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	s := read(open(t, dir))
	wellFormed(t, s)
	for _, f := range s.Facts {
		if f.Read() && f.Value.Kind() != rig.Text && f.Key != "cpu.numa_nodes" {
			t.Errorf("%s is %v, from directories", f.Key, f.Value)
		}
	}
}

func TestSystemWithoutFiles(t *testing.T) {
	s := Snapshot(context.Background(), &Tree{live: true}, Options{})
	wellFormed(t, s)
	for _, f := range s.Facts {
		if f.Unread.Reason == rig.Absent && !strings.HasPrefix(string(f.Key), "load.") {
			t.Errorf("%s is %v, on a system that nobody can read yet", f.Key, f)
		}
	}
}

func TestInterruptedWatching(t *testing.T) {
	live, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer live.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	s := Snapshot(ctx, live, Options{Window: time.Hour})
	wellFormed(t, s)
	if f, _ := s.Find("load.idle_before"); f.Unread.Reason != rig.Refused {
		t.Errorf("load.idle_before: %v", f)
	}
}

func ExampleFacts() {
	dir, _ := os.MkdirTemp("", "rig-*")
	defer os.RemoveAll(dir)
	r := trees.Heron()
	r.Firmware.Modules = dmi.OneChannel(4, 2, dmi.MeridianDDR4())
	r.Firmware.Configure(2400)
	trees.Write(dir, r)
	tree, _ := CapturedTree(dir)
	defer tree.Close()
	for _, f := range Facts(context.Background(), tree, Options{}) {
		switch f.Key {
		case "memory.speed", "memory.rated_speed", "memory.channels_populated", "load.idle_before":
			fmt.Printf("%s: %v\n", f.Key, f)
		}
	}
	// Output:
	// load.idle_before: unread: absent: not in a captured tree
	// memory.channels_populated: 1
	// memory.rated_speed: 3200 MT/s
	// memory.speed: 2400 MT/s
}
