package probe

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// chips is a tree of sensors as a kernel lays it out: a processor's own chip, a
// drive, two memory modules on a bus, a fan controller, and an ACPI zone with
// the chip that repeats it.
func chips() files {
	const (
		dev   = "sys/devices/"
		core  = dev + "platform/coretemp.0/hwmon/hwmon1/"
		drive = dev + "pci0000:00/0000:00:06.0/0000:04:00.0/nvme/nvme0/hwmon3/"
		disk  = dev + "pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/hwmon/hwmon7/"
		bus   = dev + "pci0000:00/0000:00:1f.4/i2c-5/"
		tz    = dev + "virtual/thermal/thermal_zone0/"
		board = dev + "platform/nct6775.656/hwmon/hwmon6/"
	)
	return files{
		"sys/class/hwmon/hwmon0":          "-> ../../devices/virtual/thermal/thermal_zone0/hwmon0",
		"sys/class/hwmon/hwmon1":          "-> ../../devices/platform/coretemp.0/hwmon/hwmon1",
		"sys/class/hwmon/hwmon3":          "-> ../../devices/pci0000:00/0000:00:06.0/0000:04:00.0/nvme/nvme0/hwmon3",
		"sys/class/hwmon/hwmon4":          "-> ../../devices/pci0000:00/0000:00:1f.4/i2c-5/5-0050/hwmon/hwmon4",
		"sys/class/hwmon/hwmon5":          "-> ../../devices/pci0000:00/0000:00:1f.4/i2c-5/5-0051/hwmon/hwmon5",
		"sys/class/hwmon/hwmon6":          "-> ../../devices/platform/nct6775.656/hwmon/hwmon6",
		"sys/class/hwmon/hwmon7":          "-> ../../devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/hwmon/hwmon7",
		"sys/class/thermal/thermal_zone0": "-> ../../devices/virtual/thermal/thermal_zone0",

		core + "name": "coretemp\n", core + "device": "-> ../../../coretemp.0",
		core + "temp1_label": "Package id 0\n", core + "temp1_input": "45000\n", core + "temp1_max": "80000\n", core + "temp1_crit": "100000\n",
		core + "temp2_label": "Core 0\n", core + "temp2_input": "44000\n",
		drive + "name": "nvme\n", drive + "device": "-> ../../nvme0",
		drive + "temp1_label": "Composite\n", drive + "temp1_input": "40850\n", drive + "temp1_crit": "84850\n", drive + "temp1_max": "65261850\n",
		disk + "name": "drivetemp\n", disk + "device": "-> ../../../0:0:0:0", disk + "temp1_input": "31000\n",
		bus + "5-0050/hwmon/hwmon4/name": "spd5118\n", bus + "5-0050/hwmon/hwmon4/temp1_input": "41250\n", bus + "5-0050/hwmon/hwmon4/device": "-> ../../../5-0050",
		bus + "5-0051/hwmon/hwmon5/name": "spd5118\n", bus + "5-0051/hwmon/hwmon5/temp1_input": "42250\n", bus + "5-0051/hwmon/hwmon5/device": "-> ../../../5-0051",
		board + "name": "nct6798\n", board + "device": "-> ../../../nct6775.656", board + "fan2_input": "1200\n", board + "fan2_label": "\n",
		board + "temp1_label": "AUXTIN0\n", board + "temp1_input": "-64000\n", board + "temp2_label": "AUXTIN0\n", board + "temp2_input": "30000\n",
		tz + "type": "acpitz\n", tz + "temp": "27800\n", tz + "device": "-> ../../../LNXSYSTM:00/LNXSYBUS:01/LNXTHERM:00",
		tz + "trip_point_0_type": "critical\n", tz + "trip_point_0_temp": "105000\n", tz + "trip_point_1_type": "passive\n", tz + "trip_point_1_temp": "0\n",
		tz + "hwmon0/name": "acpitz\n", tz + "hwmon0/temp1_input": "27800\n",
		dev + "LNXSYSTM:00/LNXSYBUS:01/LNXTHERM:00/path": "x\n",
	}
}

func TestSensorsAreNamedByTheirPlace(t *testing.T) {
	tree := plant(t, chips())
	all, err := temperatures(tree)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][]string{}
	for _, s := range all {
		limits := []string{}
		for _, l := range s.limits {
			limits = append(limits, l.Name)
		}
		got[s.name] = limits
	}
	want := map[string][]string{
		"coretemp/coretemp.0 Package id 0":  {"max", "crit"},
		"coretemp/coretemp.0 Core 0":        {},
		"nvme/0000:04:00.0 Composite":       {"crit"},
		"drivetemp/0000:00:17.0-ata1 temp1": {},
		"spd5118/0000:00:1f.4-0050 temp1":   {},
		"spd5118/0000:00:1f.4-0051 temp1":   {},
		"nct6798/nct6775.656 AUXTIN0":       {},
		"nct6798/nct6775.656 AUXTIN0 #2":    {},
		"acpitz/LNXTHERM:00":                {"critical"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	fs, err := fans(tree)
	if err != nil || len(fs) != 1 || fs[0].name != "nct6798/nct6775.656 fan2" {
		t.Errorf("fans %v, %v", fs, err)
	}
}

func TestSensorNamesOutliveRenumbering(t *testing.T) {
	name := func(f files) string { return sensorName(plant(t, f), "sys/class/hwmon/hwmon9", "temp1") }
	a := files{
		"sys/class/hwmon/hwmon9":                                         "-> ../../devices/pci0000:00/0000:04:00.0/nvme/nvme1/hwmon9",
		"sys/devices/pci0000:00/0000:04:00.0/nvme/nvme1/hwmon9/name":     "nvme\n",
		"sys/devices/pci0000:00/0000:04:00.0/nvme/nvme1/hwmon9/device":   "-> ../../nvme1",
		"sys/devices/pci0000:00/0000:04:00.0/nvme/nvme1/firmware_rev":    "1\n",
		"sys/devices/pci0000:00/0000:04:00.0/nvme/nvme1/hwmon9/temp1_in": "1\n",
	}
	if got := name(a); got != "nvme/0000:04:00.0 temp1" {
		t.Errorf("got %q", got)
	}
	if got := name(files{"sys/class/hwmon/hwmon9/name": "plain\n"}); got != "plain temp1" {
		t.Errorf("a directory without a device: %q", got)
	}
}

func TestAnEmptyTreeHasNoSensors(t *testing.T) {
	tree := plant(t, files{"sys/": ""})
	if all, err := temperatures(tree); len(all) != 0 || err == nil {
		t.Errorf("got %v, %v", all, err)
	}
	if all, err := fans(tree); len(all) != 0 || err == nil {
		t.Errorf("got %v, %v", all, err)
	}
}

func TestZonesThatEchoTheProcessorAreLeftOut(t *testing.T) {
	f := chips()
	f["sys/class/thermal/thermal_zone1/type"] = "x86_pkg_temp\n"
	f["sys/class/thermal/thermal_zone1/temp"] = "45000\n"
	named := func(f files) bool {
		all, _ := temperatures(plant(t, f))
		return slices.ContainsFunc(all, func(s sensor) bool { return s.chip == "x86_pkg_temp" })
	}
	if named(f) {
		t.Error("the package temperature stands twice")
	}
	delete(f, "sys/class/hwmon/hwmon1")
	if !named(f) {
		t.Error("without coretemp the zone is all there is")
	}
}
