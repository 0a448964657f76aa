package smbios

import "fmt"

// Slot is type 9: one expansion slot.
type Slot struct {
	Designation Text
	Width       Value[SlotWidth] // of the data path, which may be less than the connector shows
	Usage       Value[SlotUsage]
	Address     Value[PCIAddress] // of what is in it, where the firmware says
}

// PCIAddress is the place of a device on the bus.
type PCIAddress struct {
	Segment          uint16
	Bus, DevFunction uint8
}

// String gives "0000:01:00.0", as the kernel names it.
func (a PCIAddress) String() string {
	return fmt.Sprintf("%04x:%02x:%02x.%x", a.Segment, a.Bus, a.DevFunction>>3, a.DevFunction&7)
}

// Slots returns every type 9 in table order.
func (t Table) Slots() []Slot {
	var out []Slot
	for _, s := range t.of(9) {
		width, hasWidth := s.byte(0x06)
		usage, hasUsage := s.byte(0x07)
		out = append(out, Slot{
			Designation: s.text(0x04),
			Width:       given(SlotWidth(width), hasWidth, 0, 2),
			Usage:       given(SlotUsage(usage), hasUsage, 0, 2),
			Address:     s.pciAddress(0x0D),
		})
	}
	return out
}

// pciAddress reads segment, bus and device; all ones in each says that the
// slot has none.
func (s Structure) pciAddress(offset int) Value[PCIAddress] {
	segment, _ := s.word(offset)
	bus, _ := s.byte(offset + 2)
	device, ok := s.byte(offset + 3)
	return given(PCIAddress{segment, bus, device}, ok, PCIAddress{0xFFFF, 0xFF, 0xFF})
}
