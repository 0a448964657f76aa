package dmi

import "fmt"

// Fill returns the slots of a two-channel board with populated copies of module
// in them. Slots are named DIMM_A1, DIMM_A2, DIMM_B1, ... after channel and
// place, half of them on each channel, and are filled as such boards ask: the
// second place of each channel first, then the first, so two modules in four
// slots sit in A2 and B2. Each copy's serial gets its slot's number appended.
// With one slot only there is one channel; populated beyond slots is cut.
func Fill(slots, populated int, module Module) []Module {
	out := make([]Module, slots)
	each := (slots + 1) / 2
	for i := range out {
		channel, place := 'A'+rune(i/each), i%each+1
		out[i] = EmptySlot(fmt.Sprintf("DIMM_%c%d", channel, place), fmt.Sprintf("CHANNEL %c", channel))
	}
	for _, i := range fillOrder(slots)[:min(populated, slots)] {
		m := module
		m.Locator, m.Bank = out[i].Locator, out[i].Bank
		m.Serial = fmt.Sprintf("%s-%02d", module.Serial, i+1)
		out[i] = m
	}
	return out
}

// fillOrder gives slot numbers in the order they are to be filled: places from
// the far end of each channel, channels in turn.
func fillOrder(slots int) []int {
	each := (slots + 1) / 2
	var order []int
	for place := each - 1; place >= 0; place-- {
		for channel := range 2 {
			if i := channel*each + place; i < slots && i/each == channel {
				order = append(order, i)
			}
		}
	}
	return order
}

// EmptySlot returns a memory slot without a module.
func EmptySlot(locator, bank string) Module {
	return Module{Locator: locator, Bank: bank, Detail: 1 << 2}
}

// OneChannel returns the slots of Fill with the modules moved so that all of
// them sit on channel A, the mistake of someone who filled neighbouring slots.
func OneChannel(slots, populated int, module Module) []Module {
	out := Fill(slots, 0, module)
	for i := range min(populated, slots) {
		m := module
		m.Locator, m.Bank = out[i].Locator, out[i].Bank
		m.Serial = fmt.Sprintf("%s-%02d", module.Serial, i+1)
		out[i] = m
	}
	return out
}
