package drift_test

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/labtest/trees"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// read gives the snapshot of a captured tree.
func read(t *testing.T, dir string) rig.Snapshot {
	t.Helper()
	tree, err := probe.CapturedTree(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	return probe.Snapshot(context.Background(), tree, probe.Options{})
}

// kept is the snapshot of a tree in testdata.
func kept(t *testing.T, name string) rig.Snapshot {
	t.Helper()
	return read(t, filepath.Join("../../testdata/rigs", name))
}

// made is the snapshot of a rig written for the test, without what no rule
// looks at and takes long to write.
func made(t *testing.T, tree trees.Tree) rig.Snapshot {
	t.Helper()
	dir := t.TempDir()
	maps.DeleteFunc(tree.Files, func(name string, _ []byte) bool {
		return strings.Contains(name, "/cache/") || strings.Contains(name, "/cpuidle/") || strings.Contains(name, "/vulnerabilities/")
	})
	if err := tree.Write(dir); err != nil {
		t.Fatal(err)
	}
	return read(t, dir)
}

func changed(r trees.Rig, change func(*trees.Rig)) trees.Tree {
	change(&r)
	return trees.Of(r)
}

// heavy gives the flags above a note.
func heavy(j drift.Judgement) drift.Judgement {
	j.Flags = slices.DeleteFunc(j.Flags, func(f drift.Flag) bool { return f.Weight == rig.Note })
	return j
}

const hotPackage = "temperature[coretemp/coretemp.0 Core 2]"

func TestKeptRigs(t *testing.T) {
	rated, err := os.ReadFile("../../testdata/setups/heron-rated.toml")
	if err != nil {
		t.Fatal(err)
	}
	heron, err := setup.ParseSetup("heron-rated.toml", rated)
	if err != nil {
		t.Fatal(err)
	}
	throttling := []string{
		"underrated cpu.clock_limit: 4200, 2200: caution",
		"unsteady cooling[Processor #2].state: 0, 2: caution",
		"unsteady cpu.throttle_count: 0, 2045: caution",
		"unsteady " + hotPackage + ": below 100, its crit, 100: caution",
	}
	for name, c := range map[string]struct {
		setup *setup.Setup
		want  []string
	}{
		"heron":              {heron, nil},
		"heron-updated":      {heron, nil},
		"avocet":             {nil, nil},
		"plover":             {nil, nil},
		"hidden":             {nil, nil},
		"heron-unprivileged": {nil, nil},
		"heron-default":      {heron, []string{"undeclared memory.speed: 3200, 2400: caution", "underrated memory.speed: 3200, 2400: caution"}},
		"heron-half":         {heron, []string{"underrated memory.channels_populated: 2, 1: caution"}},
		"heron-narrow":       {heron, []string{"underrated link[0000:01:00.0].width: 16, 8: caution"}},
		"heron-throttling":   {heron, throttling},
	} {
		t.Run(name, func(t *testing.T) {
			in := drift.Input{Rig: "heron", Before: kept(t, name), Setup: c.setup}
			j := drift.Judge(in)
			if d := diff(c.want, brief(heavy(j))); d != "" {
				t.Error(d)
			}
			if clean := j.Standing == drift.Clean; clean != (c.want == nil) {
				t.Errorf("standing %s", j.Standing)
			}
		})
	}
}

func TestNothingReadable(t *testing.T) {
	for name, s := range map[string]rig.Snapshot{"an empty tree": read(t, t.TempDir()), "a guest": kept(t, "hidden"), "no rights": kept(t, "heron-unprivileged")} {
		j := drift.Judge(drift.Input{Before: s})
		if j.Standing != drift.Clean {
			t.Errorf("%s: %q", name, brief(heavy(j)))
		}
		if !slices.ContainsFunc(j.Flags, func(f drift.Flag) bool { return f.Kind == drift.UnreadFact && f.Fact == "memory.speed" }) {
			t.Errorf("%s: that memory.speed is unread is not said", name)
		}
		declared := drift.Judge(drift.Input{Before: s, Setup: declare(t, "[expect]", `"memory.speed" = 3200`)})
		if d := diff([]string{"unread memory.speed"}, kindsAndFacts(heavy(declared))); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

func kindsAndFacts(j drift.Judgement) (out []string) {
	for _, f := range j.Flags {
		out = append(out, fmt.Sprintf("%s %s", f.Kind, f.Fact))
	}
	return out
}

func TestMadeRigs(t *testing.T) {
	for name, c := range map[string]struct {
		tree trees.Tree
		want []string
	}{
		"DDR5 at its default": {changed(trees.Avocet(), func(r *trees.Rig) {
			for i := range r.Firmware.Modules {
				if m := &r.Firmware.Modules[i]; m.Size != 0 {
					m.RatedMTs, m.ConfiguredMTs = 6000, 4800
				}
			}
		}), []string{"underrated memory.speed: 6000, 4800: caution"}},
		"one module, four slots": {changed(trees.Avocet(), func(r *trees.Rig) { r.Firmware.Modules = dmi.Fill(4, 1, dmi.MeridianDDR5()) }),
			[]string{"underrated memory.channels_populated: 2, 1: caution"}},
		"one module of unknown speed, one slow": {changed(trees.Heron(), func(r *trees.Rig) {
			first := true
			for i := range r.Firmware.Modules {
				if m := &r.Firmware.Modules[i]; m.Size != 0 {
					m.ConfiguredMTs = 2666
					if first {
						m.ConfiguredMTs = 0
					}
					first = false
				}
			}
		}), []string{"underrated memory.module[DIMM_B2].speed: 3200, 2666: caution"}},
		"a drive on two lanes": {changed(trees.Heron(), func(r *trees.Rig) {
			for i, d := range r.Devices {
				if strings.HasSuffix(d.Path, "0000:02:00.0") {
					r.Devices[i].Link = &trees.Link{Speed: "16.0 GT/s PCIe", SpeedMax: "16.0 GT/s PCIe", Width: 2, WidthMax: 4}
				}
			}
		}), []string{"underrated link[0000:02:00.0].width: 4, 2: caution"}},
		"a card behind its own bridge in a narrow slot": {changed(trees.Avocet(), func(r *trees.Rig) {
			for i, d := range r.Devices {
				if strings.HasSuffix(d.Path, "0000:01:00.0") {
					r.Devices[i].Link = &trees.Link{Speed: "16.0 GT/s PCIe", SpeedMax: "16.0 GT/s PCIe", Width: 4, WidthMax: 16}
				}
			}
		}), []string{"underrated link[0000:03:00.0].width: 16, 4: caution"}},
		"a card in a slot wired for eight": {changed(trees.Heron(), func(r *trees.Rig) {
			for i, d := range r.Devices {
				if d.Path == "0000:00:01.0" {
					r.Devices[i].Link = &trees.Link{Speed: "16.0 GT/s PCIe", SpeedMax: "16.0 GT/s PCIe", Width: 8, WidthMax: 8}
				}
			}
		}), nil},
		"too hot on one core": {changed(trees.Plover(), func(r *trees.Rig) { r.Chips[0].Inputs[3].Value = 101_000 }),
			[]string{"unsteady " + hotPackage + ": below 100, its crit, 101: caution"}},
		"a zone at its passive trip point": {changed(trees.Plover(), func(r *trees.Rig) {
			r.Zones = append(r.Zones, trees.Zone{Type: "acpitz", Device: "LNXSYSTM:00/LNXTHERM:00", Temp: 91_000, Trips: []trees.Trip{{Type: "critical", Temp: 110_000}, {Type: "passive", Temp: 90_000}, {Type: "active", Temp: 50_000}}})
		}), []string{"unsteady temperature[acpitz/LNXTHERM:00]: below 90, its passive, 91: caution"}},
		"all cores held back": {changed(trees.Plover(), func(r *trees.Rig) { r.CPU.Clocks.LimitKHz = 2_000_000 }), []string{
			"underrated cpu.clock_limit: 5000, 2000: caution", "underrated cpu.policy[2-5].clock_limit: 3800, 2000: caution"}},
		"only the faster kind held back": {changed(trees.Plover(), func(r *trees.Rig) { r.CPU.Clocks.LimitKHz = 3_900_000 }), []string{
			"underrated cpu.clock_limit: 5000, 3900: caution"}},
		"turbo off": {changed(trees.Heron(), func(r *trees.Rig) {
			r.CPU.Clocks.Settings = maps.Clone(r.CPU.Clocks.Settings)
			r.CPU.Clocks.Settings["no_turbo"], r.CPU.Clocks.LimitKHz = 1, 3_400_000
		}), []string{"underrated cpu.turbo: yes, no: caution"}},
		"a core offline": {offline(trees.Of(trees.Heron()), 3), []string{"underrated cpu.offline: none, 3: caution"}},
		"memory errors":  {changed(trees.Avocet(), func(r *trees.Rig) { r.Memory.Corrected = 17 }), []string{"unsteady memory.corrected_errors: 0, 17: caution"}},
	} {
		t.Run(name, func(t *testing.T) {
			j := drift.Judge(drift.Input{Before: made(t, c.tree)})
			if d := diff(c.want, brief(heavy(j))); d != "" {
				t.Error(d)
			}
		})
	}
}

// offline takes a processor of four out, as the kernel shows it.
func offline(tree trees.Tree, n int) trees.Tree {
	const dir = "sys/devices/system/cpu"
	for name := range tree.Files {
		for _, gone := range []string{"topology", "cache", "thermal_throttle", "cpuidle"} {
			if strings.HasPrefix(name, fmt.Sprintf("%s/cpu%d/%s/", dir, n, gone)) {
				delete(tree.Files, name)
			}
		}
	}
	tree.Files[dir+"/online"] = []byte("0-2\n")
	tree.Files[dir+"/offline"] = fmt.Appendln(nil, n)
	tree.Files[fmt.Sprintf("%s/cpu%d/online", dir, n)] = []byte("0\n")
	tree.Files[fmt.Sprintf("%s/cpufreq/policy%d/affected_cpus", dir, n)] = []byte("\n")
	return tree
}

func TestRigsAgainstAMark(t *testing.T) {
	mark := &drift.Mark{RunID: "r1", Snapshot: kept(t, "heron")}
	for name, c := range map[string]struct{ want, notes []string }{
		"heron": {nil, nil},
		"heron-updated": {[]string{"moved cpu.microcode", "moved firmware.version"},
			[]string{"moved cpu.vulnerability[gather_data_sampling]", "moved firmware.date", "moved firmware.release", "moved kernel.mitigations"}},
		"heron-default": {[]string{"underrated memory.speed", "moved memory.speed"}, []string{"moved memory.module[DIMM_A2].speed", "moved memory.module[DIMM_B2].speed"}},
		"heron-narrow":  {[]string{"underrated link[0000:01:00.0].width", "moved link[0000:00:01.0].width", "moved link[0000:01:00.0].width"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			j := drift.Judge(drift.Input{Before: kept(t, name), Mark: mark})
			if d := diff(c.want, kindsAndFacts(heavy(j))); d != "" {
				t.Error(d)
			}
			notes := drift.Judge(drift.Input{Before: kept(t, name), Mark: mark})
			notes.Flags = slices.DeleteFunc(notes.Flags, func(f drift.Flag) bool { return f.Weight != rig.Note })
			if d := diff(c.notes, kindsAndFacts(notes)); d != "" {
				t.Error(d)
			}
		})
	}
	t.Run("moved modules", func(t *testing.T) {
		j := heavy(drift.Judge(drift.Input{Before: kept(t, "heron-half"), Mark: mark}))
		for _, want := range []string{"underrated memory.channels_populated", "moved memory.channels_populated", "moved memory.module[DIMM_A1].size", "moved memory.module[DIMM_B2].size"} {
			if !slices.Contains(kindsAndFacts(j), want) {
				t.Errorf("no %s in %q", want, kindsAndFacts(j))
			}
		}
	})
	t.Run("no rights", func(t *testing.T) {
		j := heavy(drift.Judge(drift.Input{Before: kept(t, "heron-unprivileged"), Mark: mark}))
		for _, f := range j.Flags {
			if f.Kind != drift.UnreadFact || !contains(f.Seen.String(), "CAP_DAC_READ_SEARCH") {
				t.Errorf("%s %s: %s", f.Kind, f.Fact, f.Seen)
			}
		}
		if !slices.Contains(kindsAndFacts(j), "unread memory.speed") {
			t.Errorf("%q", kindsAndFacts(j))
		}
	})
	t.Run("the other way", func(t *testing.T) {
		j := drift.Judge(drift.Input{Before: kept(t, "heron"), Mark: &drift.Mark{RunID: "r1", Snapshot: kept(t, "heron-unprivileged")}})
		if j.Standing != drift.Clean || len(j.Flags) == 0 {
			t.Errorf("%q", brief(j))
		}
	})
}

// overwrite changes the one line of a file in place, as the kernel would.
func overwrite(t *testing.T, dir, glob string, line any) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, glob))
	if err != nil || len(files) == 0 {
		t.Fatalf("%s: %d files, %v", glob, len(files), err)
	}
	for _, f := range files {
		if err := os.WriteFile(f, fmt.Appendln(nil, line), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// busy moves /proc/stat on by a time, of which half is work.
func busy(t *testing.T, dir string, ticks int) {
	t.Helper()
	name := filepath.Join(dir, "proc/stat")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	head, rest, _ := bytes.Cut(b, []byte("\n"))
	f := strings.Fields(string(head))
	var user, idle int
	fmt.Sscan(f[1], &user)
	fmt.Sscan(f[4], &idle)
	f[1], f[4] = fmt.Sprint(user+2*ticks), fmt.Sprint(idle+2*ticks) // four processors
	if err := os.WriteFile(name, slices.Concat([]byte(strings.Join(f, " ")+"\n"), rest), 0o644); err != nil {
		t.Fatal(err)
	}
}

// A rig throttles in mid-run: what the sampler saw of its files must come out as
// flags, by the names that the sampler gives.
func TestSampledTree(t *testing.T) {
	dir := t.TempDir()
	if err := trees.Write(dir, trees.Heron()); err != nil {
		t.Fatal(err)
	}
	tree, err := probe.CapturedTree(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	before := probe.Snapshot(context.Background(), tree, probe.Options{})
	s := probe.NewSampler(tree, probe.SampleOptions{Pace: time.Second})
	defer s.Close()
	const cpu, seconds = "sys/devices/system/cpu/", 60
	for i := range seconds {
		busy(t, dir, 100)
		switch i {
		case 1:
			overwrite(t, dir, "sys/bus/pci/devices/0000:02:00.0/current_link_speed", "8.0 GT/s PCIe")
		case 30:
			overwrite(t, dir, cpu+"cpufreq/policy*/scaling_cur_freq", 2_199_000)
			overwrite(t, dir, cpu+"cpufreq/policy*/scaling_max_freq", 2_200_000)
			overwrite(t, dir, cpu+"cpu*/thermal_throttle/core_throttle_count", 3)
			overwrite(t, dir, "sys/devices/platform/coretemp.0/hwmon/hwmon*/temp*_input", 100_500)
			for n := range 4 {
				overwrite(t, dir, fmt.Sprintf("sys/class/thermal/cooling_device%d/cur_state", n), 2)
			}
		}
		s.Take(time.Duration(i) * time.Second)
	}
	after := probe.Snapshot(context.Background(), tree, probe.Options{})
	j := drift.Judge(drift.Input{Before: before, Run: &drift.Run{After: after, Signals: s.Signals(), Elapsed: seconds * time.Second, Outcome: "finished"}})
	want := []string{
		"unsteady cooling[Processor #2].state", "unsteady cpu.clock", "unsteady cpu.clock_limit", "unsteady cpu.policy[0].clock_limit",
		"unsteady cpu.throttle_count", "unsteady load.other", "unsteady temperature[coretemp/coretemp.0 Core 0]",
	}
	if d := diff(want, kindsAndFacts(heavy(j))); d != "" {
		t.Error(d)
	}
	for _, f := range j.Flags {
		if f.Fact == "cpu.clock" && !contains(f.Evidence, "from 30 to 60 s, by heat") {
			t.Errorf("%s", f.Evidence)
		}
		if f.Fact == "cpu.throttle_count" && f.Seen != rig.NumberOf(12) {
			t.Errorf("throttled %s times: %s", f.Seen, f.Evidence)
		}
	}
}
