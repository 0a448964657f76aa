package trees

import (
	"fmt"
	"path"
	"strings"
)

// Device is a function on the PCI bus. Path leads to it from the root bus:
// "0000:00:01.0/0000:01:00.0".
type Device struct {
	Path                         string
	Class                        uint32 // 0x030000 is a graphics card
	Vendor, ID, SubVendor, SubID uint16 // no SubVendor: nobody reads it, nor the revision
	Revision                     uint8
	Driver                       string
	DriverVersion                string   // empty: the module states none
	Link                         *Link    // nil: not on a PCI Express link
	Apertures                    []uint64 // bytes of each base address region
	Errors                       *Errors
}

// Link is a PCI Express link as one end of it shows it.
type Link struct {
	Speed, SpeedMax string // "16.0 GT/s PCIe"
	Width, WidthMax int
}

// Errors is what a device has counted on its link.
type Errors struct{ Corrected, Fatal, Nonfatal int }

// Card is a graphics card's entry in the display system.
type Card struct {
	Device  string         // path as in Device
	Files   map[string]any // of the device: pp_dpm_sclk, vbios_version
	Outputs []Output
}

// Output is a connector.
type Output struct {
	Name, Status string
	Modes        []string
	EDID         []byte
}

// Drive is an NVMe drive.
type Drive struct {
	Device                             string // path as in Device
	Model, Firmware, Serial, Scheduler string
	Sectors                            int64 // of 512 bytes
}

// Network is a network interface; Mbps 0 stands for one without a link.
type Network struct {
	Device, Name string
	Mbps         int
}

func pciDir(p string) string { return "sys/devices/pci0000:00/" + p }

func (b *builder) devices(r Rig) {
	for _, d := range r.Devices {
		b.device(d)
	}
	for i, c := range r.Cards {
		b.card(i, c)
	}
	for i, d := range r.Drives {
		b.drive(i, d)
	}
	for _, n := range r.Networks {
		b.network(n)
	}
}

func (b *builder) device(d Device) {
	dir, bdf := pciDir(d.Path), path.Base(d.Path)
	b.link("sys/bus/pci/devices/"+bdf, dir)
	b.all(dir, map[string]any{
		"class": fmt.Sprintf("0x%06x", d.Class), "vendor": fmt.Sprintf("0x%04x", d.Vendor), "device": fmt.Sprintf("0x%04x", d.ID),
	})
	if d.SubVendor != 0 {
		b.all(dir, map[string]any{"subsystem_vendor": fmt.Sprintf("0x%04x", d.SubVendor), "subsystem_device": fmt.Sprintf("0x%04x", d.SubID), "revision": fmt.Sprintf("0x%02x", d.Revision)})
	}
	if d.Link != nil {
		b.all(dir, map[string]any{"current_link_speed": d.Link.Speed, "max_link_speed": d.Link.SpeedMax, "current_link_width": d.Link.Width, "max_link_width": d.Link.WidthMax})
	}
	if len(d.Apertures) > 0 {
		b.text(dir+"/resource", resources(d.Apertures)...)
	}
	if d.Errors != nil {
		b.errors(dir, *d.Errors)
	}
	b.driver(dir, d)
}

func (b *builder) driver(dir string, d Device) {
	if d.Driver == "" {
		return
	}
	driver, module := "sys/bus/pci/drivers/"+d.Driver, "sys/module/"+strings.ReplaceAll(d.Driver, "-", "_")
	b.link(dir+"/driver", driver)
	b.link(driver+"/module", module)
	b.put(module+"/initstate", "live")
	if d.DriverVersion != "" {
		b.put(module+"/version", d.DriverVersion)
	}
}

func resources(sizes []uint64) []string {
	at, lines := uint64(0x60_0000_0000), []string{}
	for _, size := range sizes {
		if size == 0 {
			lines = append(lines, "0x0000000000000000 0x0000000000000000 0x0000000000000000")
			continue
		}
		lines = append(lines, fmt.Sprintf("0x%016x 0x%016x 0x000000000014220c", at, at+size-1))
		at += 2 * size
	}
	return lines
}

func (b *builder) errors(dir string, e Errors) {
	b.text(dir+"/aer_dev_correctable", "RxErr "+fmt.Sprint(e.Corrected), "BadTLP 0", "BadDLLP 0", "Rollover 0", "Timeout 0", "NonFatalErr 0", "TOTAL_ERR_COR "+fmt.Sprint(e.Corrected))
	b.text(dir+"/aer_dev_fatal", "Undefined 0", "DLP "+fmt.Sprint(e.Fatal), "TLP 0", "TOTAL_ERR_FATAL "+fmt.Sprint(e.Fatal))
	b.text(dir+"/aer_dev_nonfatal", "Undefined 0", "DLP 0", "TLP "+fmt.Sprint(e.Nonfatal), "TOTAL_ERR_NONFATAL "+fmt.Sprint(e.Nonfatal))
}

func (b *builder) card(number int, c Card) {
	device := pciDir(c.Device)
	b.all(device, c.Files)
	name := fmt.Sprintf("card%d", number)
	dir := device + "/drm/" + name
	b.class("drm", name, dir)
	b.link(dir+"/device", device)
	for _, o := range c.Outputs {
		out := name + "-" + o.Name
		b.class("drm", out, dir+"/"+out)
		enabled := "disabled"
		if o.Status == "connected" {
			enabled = "enabled"
		}
		b.all(dir+"/"+out, map[string]any{"status": o.Status, "enabled": enabled})
		b.Files[dir+"/"+out+"/modes"] = []byte(strings.Join(append(o.Modes, ""), "\n"))
		b.Files[dir+"/"+out+"/edid"] = o.EDID
	}
}

func (b *builder) drive(number int, d Drive) {
	name := fmt.Sprintf("nvme%d", number)
	dir := pciDir(d.Device) + "/nvme/" + name
	b.class("nvme", name, dir)
	b.link(dir+"/device", pciDir(d.Device))
	// The kernel pads model and serial with blanks as the drive gives them.
	b.all(dir, map[string]any{"model": fmt.Sprintf("%-40s", d.Model), "firmware_rev": fmt.Sprintf("%-8s", d.Firmware), "serial": fmt.Sprintf("%-20s", d.Serial), "state": "live"})
	disk := dir + "/" + name + "n1"
	b.link("sys/block/"+name+"n1", disk)
	b.link(disk+"/device", dir)
	b.all(disk, map[string]any{"size": d.Sectors, "queue/scheduler": d.Scheduler, "queue/rotational": 0})
}

func (b *builder) network(n Network) {
	dir := pciDir(n.Device) + "/net/" + n.Name
	b.class("net", n.Name, dir)
	b.link(dir+"/device", pciDir(n.Device))
	state := "up"
	if n.Mbps == 0 {
		state = "down"
	} else {
		b.put(dir+"/speed", n.Mbps)
	}
	b.put(dir+"/operstate", state)
}

// edid returns the first 128 bytes of what an invented display says of itself.
func edid(product uint16, name string) []byte {
	e := make([]byte, 128)
	copy(e, "\x00\xff\xff\xff\xff\xff\xff\x00")
	e[8], e[9] = 0x6A, 0x38 // three letters of five bits: ZQX
	e[10], e[11] = byte(product), byte(product>>8)
	e[16], e[17], e[18], e[19] = 12, 41, 1, 4 // week, year since 1990, version 1.4
	copy(e[72:], "\x00\x00\x00\xfc\x00")
	copy(e[77:90], fmt.Sprintf("%-13.13s", name+"\n"))
	var sum byte
	for _, c := range e[:127] {
		sum += c
	}
	e[127] = -sum
	return e
}
