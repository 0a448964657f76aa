package vrig

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Files in a boot's folder.
const (
	controlSocket = "control"
	qmpSocket     = "qmp"
	relayFile     = "relay"
)

// lay writes what a boot needs into dir and returns qemu's arguments.
func (h host) lay(c Config, dir string) ([]string, error) {
	t, err := buildTools()
	if err != nil {
		return nil, err
	}
	initramfs, err := h.initramfs(c, t.vinit)
	if err != nil {
		return nil, err
	}
	put := func(name string, b []byte, perm os.FileMode) string {
		path := filepath.Join(dir, name)
		if e := os.WriteFile(path, b, perm); e != nil && err == nil {
			err = e
		}
		return path
	}
	args := c.machine()
	args = append(args, "-kernel", h.kernel.image, "-initrd", put("initramfs", initramfs, 0o644), "-append", c.kernelLine())
	for i, s := range c.Firmware {
		if s[0] != typeEnd {
			args = append(args, "-smbios", "file="+comma(put(fmt.Sprintf("smbios-%03d", i), s, 0o644)))
		}
	}
	for i, table := range c.acpi() {
		args = append(args, "-acpitable", "file="+comma(put(fmt.Sprintf("acpi-%d", i), table, 0o644)))
	}
	args = append(args, c.network(put(relayFile, t.relay, 0o755))...)
	args = append(args,
		"-serial", "stdio",
		"-chardev", "socket,id=control,path="+comma(filepath.Join(dir, controlSocket)), "-serial", "chardev:control",
		"-chardev", "socket,id=qmp,path="+comma(filepath.Join(dir, qmpSocket)), "-mon", "chardev=qmp,mode=control")
	if c.Disk != "" {
		args = append(args, "-drive", "if=virtio,format=raw,file="+comma(c.Disk))
	}
	if c.Cooling {
		args = append(args, coolingPort...)
	}
	return append(args, c.Qemu...), err
}

// machine is a bare board without display, disk or network.
func (c Config) machine() []string {
	entry := "64"
	if c.EntryPoint == Entry32 {
		entry = "32"
	}
	return []string{
		"-M", "q35,smbios-entry-point-type=" + entry,
		// One host thread for all processors: with one each, a processor may run into a
		// breakpoint that another, which rewrites the kernel's own code, has just taken away
		// again, and the kernel takes that for a fault.
		"-accel", "tcg,thread=single",
		"-cpu", c.CPUModel, "-m", fmt.Sprint(int(c.Memory)),
		"-smp", fmt.Sprintf("%d,sockets=%d,cores=%d,threads=%d", c.Sockets*c.Cores*c.Threads, c.Sockets, c.Cores, c.Threads),
		"-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
	}
}

// kernelLine is the kernel's command line: quiet, the console on the first serial
// port, a panic that ends the rig, and no check whether the timer ticks at the pace
// of the processor, which on a busy host it does not.
func (c Config) kernelLine() string {
	return strings.Join(append([]string{"console=ttyS0 quiet loglevel=3 panic=-1 no_timer_check net.ifnames=0 rdinit=/init"}, c.Append...), " ")
}

func (c Config) acpi() [][]byte {
	if !c.Cooling {
		return c.ACPI
	}
	return append([][]byte{coolingTable}, c.ACPI...)
}

// network is the id of the guest's network card, for SetLink.
const network = "net"

// network gives the guest a card when ports are forwarded: qemu answers for the
// addresses of its small net, and lets nothing out but through the relays.
func (c Config) network(relay string) []string {
	if len(c.Forward) == 0 {
		return []string{"-nic", "none"}
	}
	n := "user,id=" + network + ",restrict=on,ipv6=off"
	for _, port := range c.Forward {
		n += fmt.Sprintf(",guestfwd=tcp:%s-cmd:%s 127.0.0.1:%d", HostAddr(port), comma(relay), port)
	}
	return []string{"-netdev", n, "-device", "virtio-net-pci,romfile=,netdev=" + network}
}

// comma doubles the commas in a value, as qemu's option lists want it.
func comma(s string) string { return strings.ReplaceAll(s, ",", ",,") }
