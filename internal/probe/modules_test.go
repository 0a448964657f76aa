package probe

import (
	"fmt"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/labtest/trees"
	"witnessmark/internal/rig"
	"witnessmark/internal/smbios"
)

// tableFacts gives the facts that come from a table alone.
func tableFacts(table []byte) rig.Snapshot {
	s := &sheet{tree: &Tree{}, table: firmwareTable{Table: smbios.Decode(table)}}
	s.modules()
	return rig.NewSnapshot(rig.Snapshot{}.At, s.facts)
}

func TestModules(t *testing.T) {
	machine := func(change func(*dmi.Machine)) []byte {
		m := dmi.Astrolabe()
		change(&m)
		return m.Table()
	}
	fast := dmi.MeridianDDR5()
	fast.RatedMTs, fast.ConfiguredMTs, fast.Size = 70000, 68000, 64*dmi.GiB
	for name, c := range map[string]struct {
		table []byte
		want  map[rig.Key]any
	}{
		"as rated": {machine(func(*dmi.Machine) {}), map[rig.Key]any{"memory.speed": 3200, "memory.modules": 2, "memory.max_size": 131072}},
		"slowest counts": {machine(func(m *dmi.Machine) { m.Modules[1].ConfiguredMTs, m.Modules[3].RatedMTs = 2666, 2933 }),
			map[rig.Key]any{"memory.speed": 2666, "memory.rated_speed": 2933}},
		"one speed unknown": {machine(func(m *dmi.Machine) { m.Modules[3].ConfiguredMTs = 0 }),
			map[rig.Key]any{"memory.speed": rig.Unknown, "memory.rated_speed": 3200, "memory.module[DIMM_B2].speed": rig.Unknown, "memory.module[DIMM_A2].speed": 3200}},
		"one size unknown": {machine(func(m *dmi.Machine) { m.Modules[3].Size = dmi.UnknownSize }),
			map[rig.Key]any{"memory.size": rig.Unknown, "memory.modules": 2, "memory.module[DIMM_B2].size": rig.Unknown}},
		"small": {machine(func(m *dmi.Machine) { m.Modules[1].Size = 512 * dmi.KiB }), map[rig.Key]any{"memory.size": 8192.5, "memory.module[DIMM_A2].size": 0.5}},
		"beyond a word": {machine(func(m *dmi.Machine) { m.Modules = dmi.Fill(4, 4, fast) }),
			map[rig.Key]any{"memory.speed": 68000, "memory.rated_speed": 70000, "memory.size": 4 * 65536, "memory.modules": 4}},
		"short structures": {machine(func(m *dmi.Machine) { m.ModuleLength = 0x15 }),
			map[rig.Key]any{"memory.speed": rig.Absent, "memory.rated_speed": rig.Absent, "memory.size": 16384, "memory.module[DIMM_A2].part": rig.Absent}},
		"mixed types": {machine(func(m *dmi.Machine) { m.Modules[1].Type = 0x22 }), map[rig.Key]any{"memory.type": "DDR4, DDR5"}},
		"empty": {machine(func(m *dmi.Machine) { m.Modules = dmi.Fill(4, 0, fast) }),
			map[rig.Key]any{"memory.modules": rig.Implausible, "memory.size": rig.Absent, "memory.speed": rig.Absent, "memory.slots": 4, "memory.module[DIMM_A1].size": 0}},
		"same locators": {machine(func(m *dmi.Machine) {
			for i := range m.Modules {
				m.Modules[i].Locator, m.Modules[i].Bank = fmt.Sprintf("DIMM %d", i%2), fmt.Sprintf("P0 CHANNEL %c", 'A'+i/2)
			}
		}), map[rig.Key]any{"memory.module[P0 CHANNEL A/DIMM 1].size": 8192, "memory.module[P0 CHANNEL B/DIMM 1].size": 8192, "memory.channels_populated": 2}},
		"same in all": {machine(func(m *dmi.Machine) {
			for i := range m.Modules {
				m.Modules[i].Locator, m.Modules[i].Bank = "DIMM", "BANK"
			}
		}), map[rig.Key]any{"memory.module[BANK/DIMM #2].size": 8192, "memory.module[BANK/DIMM #4].size": 8192, "memory.channels_populated": rig.Unknown, "memory.channels": rig.Unknown}},
		"no names": {machine(func(m *dmi.Machine) {
			for i := range m.Modules {
				m.Modules[i].Locator, m.Modules[i].Bank = "", ""
			}
		}), map[rig.Key]any{"memory.module[slot #2].size": 8192, "memory.channels": rig.Unknown}},
		"nothing":  {nil, map[rig.Key]any{"memory.modules": rig.Implausible, "memory.speed": rig.Implausible, "memory.slots": rig.Implausible, "memory.channels": rig.Implausible}},
		"only end": {[]byte{127, 4, 0, 1, 0, 0}, map[rig.Key]any{"memory.modules": rig.Absent, "memory.speed": rig.Absent, "memory.ecc": rig.Absent}},
	} {
		t.Run(name, func(t *testing.T) { want(t, tableFacts(c.table), c.want) })
	}
}

// TestDamagedTablesClaimNothing cuts a table anywhere: what is said of memory
// as a whole is then either what the whole table says, or unread.
func TestDamagedTablesClaimNothing(t *testing.T) {
	m := dmi.Astrolabe()
	m.Modules[3].ConfiguredMTs = 2400 // the slowest comes last
	whole := m.Table()
	full := tableFacts(whole)
	for n := range whole {
		for _, f := range tableFacts(whole[:n]).Facts {
			w, _ := full.Find(f.Key)
			if err := f.Check(); err != nil {
				t.Fatal(err)
			}
			if f.Read() && f.Value != w.Value {
				t.Fatalf("cut to %d bytes, %s is %v and not %v", n, f.Key, f, w)
			}
		}
	}
	if s, ok := full.Number("memory.speed"); !ok || s != 2400 {
		t.Errorf("whole: %v", s)
	}
}

func FuzzTable(f *testing.F) {
	m := dmi.Astrolabe()
	f.Add(m.Table())
	f.Add(m.Table()[:700])
	m.ModuleLength = 0x1b
	f.Add(m.Table())
	f.Fuzz(func(t *testing.T, table []byte) {
		s := tableFacts(table)
		for _, fact := range s.Facts {
			if err := fact.Check(); err != nil {
				t.Fatal(err)
			}
		}
		speed, ok := s.Number("memory.speed")
		if !ok {
			return
		}
		found := false // the slowest of all is the speed of one of them, and no other is slower
		for _, fact := range s.Facts {
			if n, isNumber := fact.Value.Number(); fact.Key.Family() == "memory.module[].speed" && isNumber {
				found = found || n == speed
				if n < speed {
					t.Fatalf("%s is %v, memory.speed %v", fact.Key, n, speed)
				}
			}
		}
		if !found {
			t.Fatalf("memory.speed is %v, which no module runs at", speed)
		}
	})
}

func TestChannelsFromNames(t *testing.T) {
	for _, c := range []struct{ locator, bank, channel string }{
		{"DIMM_A1", "", "/A"}, {"DIMM_B2", "BANK 3", "/B"}, {"DIMMA1", "", "/A"}, {"DIMM A", "", "/A"}, {"DDR4_C2", "", "/C"},
		{"CPU0_DIMM_A1", "", "CPU0/A"}, {"P1-DIMMB1", "", "P1/B"}, {"DIMM_P1_C0", "", "P1/C"}, {"SODIMM_B", "", "SO/B"},
		{"DIMM 0", "P0 CHANNEL A", "P0/A"}, {"DIMM 1", "P1 CHANNEL H", "P1/H"}, {"Controller0-ChannelA", "BANK 0", "CONTROLLER0/A"},
		{"Controller1-ChannelB-DIMM1", "", "CONTROLLER1/B"}, {"ChannelB-DIMM0", "BANK 2", "/B"}, {"DIMM0", "CHAN B", "/B"},
		{"BRANCH 0 CHANNEL 1", "", "BRANCH0/1"}, {"P0_Node1_Channel2_Dimm0", "", "P0NODE1/2"}, {"DIMM_CH_A1", "", "CH/A"},
		{"DIMM 1", "BANK 0", ""}, {"A1", "", ""}, {"DIMM0", "", ""}, {"CHASSIS 1", "", ""}, {"Onboard", "Default string", ""}, {"", "", ""},
	} {
		m := dmi.Astrolabe()
		m.Modules = m.Modules[1:2]
		m.Modules[0].Locator, m.Modules[0].Bank = c.locator, c.bank
		got := ""
		for _, way := range channelWays {
			if name, ok := way.read(smbios.Decode(m.Table()).Modules()[0]); ok {
				got = name
				break
			}
		}
		if got != c.channel {
			t.Errorf("%q in %q is on channel %q, want %q", c.locator, c.bank, got, c.channel)
		}
	}
}

func TestChannelsFromTheTableAndTheDriver(t *testing.T) {
	m := dmi.Astrolabe()
	handles := smbios.Decode(m.Table()).Modules()
	channel := func(handle byte, slots ...smbios.Handle) []byte {
		b := []byte{37, byte(7 + 3*len(slots)), handle, 0x40, 3, 0, byte(len(slots))}
		for _, h := range slots {
			b = append(b, 0, byte(h), byte(h>>8))
		}
		return append(b, 0, 0)
	}
	m.Extra = [][]byte{channel(1, handles[0].Handle, handles[1].Handle, handles[2].Handle, handles[3].Handle)}
	s := tableFacts(m.Table())
	want(t, s, map[rig.Key]any{"memory.channels_populated": 1}) // against what the names suggest
	m.Extra = [][]byte{channel(1, handles[0].Handle)}           // says nothing of the modules there are
	want(t, tableFacts(m.Table()), map[rig.Key]any{"memory.channels_populated": 2})

	const mc = "sys/devices/system/edac/mc/mc0/"
	driver := files{mc + "dimm0/dimm_location": "channel 0 slot 0\n", mc + "dimm1/dimm_location": "channel 3 slot 1\n", mc + "dimm2/dimm_location": "channel 3 slot 0\n",
		mc + "ce_count": "4\n", mc + "ue_count": "0\n"}
	r := trees.Heron()
	r.Firmware = nil
	want(t, read(plantRig(t, r, driver)), map[rig.Key]any{"memory.channels_populated": 2, "memory.channels": rig.Absent, "memory.corrected_errors": 4, "memory.uncorrected_errors": 0})
}
