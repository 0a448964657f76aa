package probe

import (
	"testing"

	"witnessmark/internal/rig"
)

// bus gives a device on the bus at a path from the root: "0000:00:01.0/0000:01:00.0".
func bus(path string, more files) files {
	dir := "sys/devices/pci0000:00/" + path
	f := files{pciDir + "/" + base(path): "-> ../../../devices/pci0000:00/" + path, dir + "/": ""}
	for name, content := range more {
		f[dir+"/"+name] = content
	}
	return f
}

func linked(class, width, widthMax, speed, speedMax string) files {
	return files{"class": "0x" + class + "\n", "current_link_width": width + "\n", "max_link_width": widthMax + "\n", "current_link_speed": speed + "\n", "max_link_speed": speedMax + "\n"}
}

func TestLinks(t *testing.T) {
	const (
		root, card = "0000:00:01.0", "0000:01:00.0"
		up, down   = root + "/0000:01:00.0", root + "/0000:01:00.0/0000:02:00.0"
		far        = down + "/0000:03:00.0"
	)
	gen4, gen1 := "16.0 GT/s PCIe", "2.5 GT/s PCIe"
	for name, c := range map[string]struct {
		files []files
		want  map[rig.Key]any
	}{
		"in order": {[]files{bus(root, linked("060400", "16", "16", gen4, gen4)), bus(root+"/"+card, linked("030000", "16", "16", gen1, gen4))},
			map[rig.Key]any{"link[0000:01:00.0].width": 16, "link[0000:01:00.0].width_max": 16, "link[0000:01:00.0].speed": 2.5, "link[0000:01:00.0].speed_max": 16}},
		"card wider than its slot": {[]files{bus(root, linked("060400", "8", "8", gen4, gen4)), bus(root+"/"+card, linked("030000", "8", "16", gen4, gen4))},
			map[rig.Key]any{"link[0000:01:00.0].width": 8, "link[0000:01:00.0].width_max": 8}},
		"slot wider than its card": {[]files{bus(root, linked("060400", "4", "16", gen4, "32.0 GT/s PCIe")), bus(root+"/"+card, linked("010802", "4", "4", gen4, gen4))},
			map[rig.Key]any{"link[0000:00:01.0].width": 4, "link[0000:00:01.0].width_max": 4, "link[0000:00:01.0].speed_max": 16, "link[0000:01:00.0].kind": "drive"}},
		"behind a bridge of its own": {[]files{bus(root, linked("060400", "8", "16", gen4, gen4)), bus(up, linked("060400", "8", "16", gen4, gen4)),
			bus(down, linked("060400", "16", "16", gen4, gen4)), bus(far, linked("030000", "16", "16", gen4, gen4))},
			map[rig.Key]any{"link[0000:03:00.0].width": 8, "link[0000:03:00.0].width_max": 16, "link[0000:02:00.0].width": 8}},
		"words for unknown": {[]files{bus(card, linked("020000", "63", "255", "Unknown", "Unknown speed"))},
			map[rig.Key]any{"link[0000:01:00.0].width": rig.Unknown, "link[0000:01:00.0].width_max": rig.Unknown, "link[0000:01:00.0].speed": rig.Unknown, "link[0000:01:00.0].kind": "network"}},
		"nothing plugged in": {[]files{bus(root, linked("060400", "0", "16", gen1, gen4))}, map[rig.Key]any{"link[0000:00:01.0].width": rig.Unknown}},
		"errors": {[]files{bus(card, linked("0c0330", "4", "4", gen4, gen4)), {"sys/devices/pci0000:00/" + card + "/aer_dev_correctable": "RxErr 5\nTOTAL_ERR_COR 5\n",
			"sys/devices/pci0000:00/" + card + "/aer_dev_fatal": "junk\n"}},
			map[rig.Key]any{"link[0000:01:00.0].errors_corrected": 5, "link[0000:01:00.0].errors_fatal": rig.Implausible, "link[0000:01:00.0].kind": "USB"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := read(plant(t, c.files...))
			wellFormed(t, s)
			want(t, s, c.want)
		})
	}
	s := read(plant(t, bus(card, files{"class": "0x030000\n"})))
	if _, ok := s.Find("link[0000:01:00.0].width"); ok {
		t.Error("a device without a link has one")
	}
}

func TestGraphics(t *testing.T) {
	const card = "0000:01:00.0"
	card0 := func(more files) []files {
		f := files{"class": "0x030000\n", "vendor": "0x5f0a\n", "device": "0x7340\n"}
		return []files{bus(card, merged(f, more)), {"proc/sys/kernel/osrelease": "6.12.1\n"}}
	}
	for name, c := range map[string]struct {
		files []files
		want  map[rig.Key]any
	}{
		"no driver": {card0(nil), map[rig.Key]any{"graphics[0000:01:00.0].driver": rig.Absent, "graphics[0000:01:00.0].driver_version": rig.Absent, "graphics[0000:01:00.0].id": "5f0a:7340", "graphics[0000:01:00.0].aperture": rig.Absent}},
		"driver of its own": {append(card0(files{"driver": "-> ../../../bus/pci/drivers/nvidia"}), files{"sys/bus/pci/drivers/nvidia/module": "-> ../../../../module/nvidia_x", "sys/module/nvidia_x/version": "570.1\n",
			"sys/module/nvidia_x/taint": "PO\n", "proc/driver/nvidia/gpus/0000:01:00.0/information": "Model: \t Sunbeam 9\nVideo BIOS: \t 95.02.aa\n"}),
			map[rig.Key]any{"graphics[0000:01:00.0].driver": "nvidia", "graphics[0000:01:00.0].driver_version": "570.1", "graphics[0000:01:00.0].firmware": "95.02.aa", "kernel.module[nvidia_x].version": "570.1"}},
		"firmware not told": {append(card0(nil), files{"proc/driver/nvidia/gpus/0000:01:00.0/information": "Video BIOS: ??.??.??\n"}), map[rig.Key]any{"graphics[0000:01:00.0].firmware": rig.Unknown}},
		"i915":              {card0(files{"driver": "-> ../../../bus/pci/drivers/i915", "drm/card1/gt/gt0/rps_max_freq_mhz": "1450\n"}), map[rig.Key]any{"graphics[0000:01:00.0].clock_max": 1450, "graphics[0000:01:00.0].driver_version": "kernel 6.12.1"}},
		"xe":                {card0(files{"tile0/gt0/freq0/max_freq": "2050\n"}), map[rig.Key]any{"graphics[0000:01:00.0].clock_max": 2050}},
		"asleep":            {card0(files{"power/runtime_status": "suspended\n", "mem_info_vram_total": "1048576\n"}), map[rig.Key]any{"graphics[0000:01:00.0].memory": rig.Refused}},
		"apertures": {card0(files{"resource": "0x0000000060000000 0x000000006fffffff 0x000000000014220c\n0x1 0x0 0x200\nx\n0x0000000070000000 0x000000007fffffff 0x0000000000040101\n"}),
			map[rig.Key]any{"graphics[0000:01:00.0].aperture": 256}},
	} {
		t.Run(name, func(t *testing.T) {
			s := read(plant(t, c.files...))
			wellFormed(t, s)
			want(t, s, c.want)
		})
	}
}

func TestDrivesAndNetworks(t *testing.T) {
	const disk = "sys/devices/pci0000:00/0000:00:17.0/ata3/host2/target2:0:0/2:0:0:0"
	s := read(plant(t, files{
		"sys/block/sda": "-> ../devices/pci0000:00/0000:00:17.0/ata3/host2/target2:0:0/2:0:0:0/block/sda", disk + "/block/sda/size": "2048000\n",
		disk + "/block/sda/device": "-> ../../", disk + "/model": "Almanac Disk \n", disk + "/rev": "0102\n", disk + "/block/sda/queue/scheduler": "[mq-deadline] kyber none\n",
		"sys/block/loop0": "-> ../devices/virtual/block/loop0", "sys/devices/virtual/block/loop0/size": "8\n",
		"sys/class/net/lo": "-> ../../devices/virtual/net/lo", "sys/devices/virtual/net/lo/speed": "|",
		"sys/class/net/e0/device/": "", "sys/class/net/e0/speed": "-1\n", "sys/class/net/e1/device/": "", "sys/class/net/e1/speed": "2500\n",
	}))
	wellFormed(t, s)
	want(t, s, map[rig.Key]any{"drive[0000:00:17.0 ata3].model": "Almanac Disk", "drive[0000:00:17.0 ata3].firmware": "0102", "drive[0000:00:17.0 ata3].scheduler": "mq-deadline",
		"drive[0000:00:17.0 ata3].size": 1000, "network[e0].speed": rig.Unknown, "network[e1].speed": 2500})
	for _, f := range s.Facts {
		if i := f.Key.Index(); i == "loop0" || i == "lo" {
			t.Errorf("%s is no device", f.Key)
		}
	}
}
