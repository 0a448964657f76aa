package vrig

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/labtest/vrig/guest"
)

// EntryPoint is the form of the pointer through which the guest finds its
// firmware tables.
type EntryPoint int

// The two forms of DSP0134.
const (
	Entry64 EntryPoint = iota
	Entry32
)

// MiB is an amount of memory.
type MiB int

// Celsius is a temperature of the rig.
type Celsius int

// Config is what one boot is like. The zero value, with a Payload, is a machine
// of one processor and qemu's own firmware tables.
type Config struct {
	// Firmware is the SMBIOS structures, one an element, as dmi.Machine gives
	// them; an end structure among them is dropped, since qemu adds its own. It
	// must have one type 4 a socket, or none. qemu adds the types that are missing.
	Firmware   [][]byte
	EntryPoint EntryPoint

	Sockets, Cores, Threads int    // 0 stands for 1; cores a socket, threads a core
	CPUModel                string // in qemu's words; empty: DefaultCPU
	Memory                  MiB    // 0: 256

	// Cooling adds cooling.asl: a frequency tree of 4200, 3400, 2200 and 800 MHz, a
	// thermal zone at 45 C that SetTemperature sets, and a fan.
	Cooling bool
	ACPI    [][]byte // further compiled ACPI tables
	Modules []string // kernel modules to load, "NAME PARAMETERS"; what they need is found
	Setup   []string // lines of the control channel, carried out after the modules are loaded
	Append  []string // further kernel arguments
	Qemu    []string // further qemu arguments

	Forward []int             // ports of this machine that the guest reaches at HostAddr and on its own loopback
	Disk    string            // a file that MakeDisk made, which the guest mounts at DiskDir and may keep from boot to boot
	Files   map[string]string // path in the guest to a file here; permissions are kept
	Env     map[string]string // the payload's, beside PATH and HOME

	Payload string // a static program here, run as /bin/NAME in the home folder
	Args    []string

	Console io.Writer     // gets a copy of the console
	Timeout time.Duration // for everything from power-on to power-off; 0: a quarter of an hour
}

// DefaultCPU names a processor that the kernel's frequency driver accepts: it goes
// by vendor and family, and refuses what qemu calls itself. The microcode revision
// is 0x17.
const DefaultCPU = "qemu64,-svm,vendor=GenuineIntel,family=6,model=26,stepping=4,ucode-rev=0x1700000000,model-id=Lab Virtual CPU"

// DiskDir is where the guest has its disk.
const DiskDir = guest.DiskDir

// HostAddr is where the guest reaches a forwarded port.
func HostAddr(port int) string { return "10.0.2.100:" + strconv.Itoa(port) }

const (
	guestAddr = "10.0.2.15"
	guestMask = "255.255.255.0"
)

func (c Config) withDefaults() (Config, error) {
	c.Sockets, c.Cores, c.Threads = max(c.Sockets, 1), max(c.Cores, 1), max(c.Threads, 1)
	if c.CPUModel == "" {
		c.CPUModel = DefaultCPU
	}
	if c.Memory == 0 {
		c.Memory = 256
	}
	if c.Timeout == 0 {
		c.Timeout = 15 * time.Minute
	}
	if c.Payload == "" {
		return c, errors.New("boot: no payload is given")
	}
	return c, c.checkFirmware()
}

// Types of structures that qemu has a rule about.
const (
	typeProcessor = 4
	typeEnd       = 127
)

func (c Config) checkFirmware() error {
	processors := 0
	for i, s := range c.Firmware {
		if len(s) < 4 {
			return fmt.Errorf("boot: firmware structure %d: only %d bytes", i, len(s))
		}
		if s[0] == typeProcessor {
			processors++
		}
	}
	if processors != 0 && processors != c.Sockets {
		return fmt.Errorf("boot: the firmware tells of %d processors, the machine has %d sockets", processors, c.Sockets)
	}
	return nil
}

// modules are the lines of all modules: the network card's, the disk's, the cooler's,
// and then those that were asked for.
func (c Config) modules() []string {
	var m []string
	if len(c.Forward) > 0 {
		m = append(m, "virtio_pci", "virtio_net")
	}
	if c.Disk != "" {
		m = append(m, "virtio_pci", "virtio_blk", "crc32c_generic", "ext4") // which asks for a checksum by what it does, not by name
	}
	if c.Cooling {
		m = append(m, "fan", "acpi-cpufreq")
	}
	return append(m, c.Modules...)
}

// setup are the control lines that the guest carries out before the payload.
func (c Config) setup(modules []module) []string {
	var lines []string
	if c.Cooling {
		lines = append(lines, temperatureLine(startTemperature))
	}
	for _, m := range modules {
		lines = append(lines, strings.TrimSpace("insmod "+m.name+" "+m.parameters))
	}
	if c.Disk != "" {
		lines = append(lines, "mount ext4 /dev/vda "+DiskDir)
	}
	lines = append(lines, "ifup lo")
	if len(c.Forward) > 0 {
		lines = append(lines, fmt.Sprintf("ifup eth0 %s %s", guestAddr, guestMask))
	}
	for _, port := range c.Forward {
		lines = append(lines, fmt.Sprintf("relay 127.0.0.1:%d %s", port, HostAddr(port)))
	}
	return append(lines, c.Setup...)
}
