package vrig

import (
	"slices"
	"strings"
	"testing"
)

// In the form in which depmod writes it: what a module needs stands behind it, the
// last to be loaded first.
const dep = `kernel/drivers/net/virtio_net.ko.xz: kernel/drivers/net/net_failover.ko.xz kernel/net/core/failover.ko.xz
kernel/drivers/net/net_failover.ko.xz: kernel/net/core/failover.ko.xz
kernel/net/core/failover.ko.xz:
kernel/drivers/i2c/i2c-stub.ko:
`

const builtin = "kernel/drivers/virtio/virtio_pci.ko\n"

func TestModulesAreLoadedAfterWhatTheyNeed(t *testing.T) {
	x, err := readModuleIndex(strings.NewReader(dep), strings.NewReader(builtin))
	if err != nil {
		t.Fatal(err)
	}
	got, err := x.load([]string{"virtio-pci", "net_failover", "virtio_net", "i2c-stub chip_addr=0x48,0x50 functionality=0x7f0000"})
	want := []module{
		{"failover", "kernel/net/core/failover.ko.xz", ""},
		{"net_failover", "kernel/drivers/net/net_failover.ko.xz", ""},
		{"virtio_net", "kernel/drivers/net/virtio_net.ko.xz", ""},
		{"i2c_stub", "kernel/drivers/i2c/i2c-stub.ko", "chip_addr=0x48,0x50 functionality=0x7f0000"},
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("load = %v, %v, want %v", got, err, want)
	}
	if _, err := x.load([]string{"no-such-module"}); err == nil || !strings.Contains(err.Error(), "no-such-module") {
		t.Errorf("load of a module that is not there: %v", err)
	}
	if _, err := readModuleIndex(strings.NewReader("kernel/a.ko: \nkernel/b.ko"), strings.NewReader("")); err == nil || !strings.Contains(err.Error(), "line 2") {
		t.Errorf("a line without a colon: %v", err)
	}
}

// Whatever the file says, every module that was asked for is loaded, nothing twice,
// and what is loaded before it includes what it needs.
func FuzzReadModuleIndex(f *testing.F) {
	f.Add(dep, "virtio_net")
	f.Add("a.ko: b.ko a.ko\nb.ko: a.ko", "b")
	f.Fuzz(func(t *testing.T, dep, name string) {
		x, err := readModuleIndex(strings.NewReader(dep), strings.NewReader(""))
		if err != nil {
			return
		}
		order, err := x.load([]string{name})
		if err != nil {
			return
		}
		var names []string
		for _, m := range order {
			names = append(names, m.name)
		}
		word, _, _ := strings.Cut(name, " ")
		for _, want := range append([]string{word}, x.needs[moduleName(word)]...) {
			if !slices.Contains(names, moduleName(want)) {
				t.Errorf("%q is not among %q", want, names)
			}
		}
		slices.Sort(names)
		if len(slices.Compact(names)) != len(order) {
			t.Errorf("one is loaded twice: %q", names)
		}
	})
}
