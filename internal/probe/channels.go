package probe

import (
	"encoding/binary"
	"fmt"
	"regexp"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/smbios"
)

// channels puts how many memory channels there are and how many have a module.
// The firmware rarely says so outright; after type 37 and the memory
// controller's driver, the texts by which boards name their slots are a guess,
// and the source says that it is one.
func (s *sheet) channels(slots []slot, why rig.Unread) {
	source := moduleSource
	populated, all := reading{source: source, why: why}, reading{source: source, why: why}
	if why.Reason == "" {
		populated, all = s.table.channelsByNames(slots)
		if r := s.table.channelsByTable(slots); r.ok() {
			populated = r
		}
	}
	if edac := s.channelsByDriver(); edac.ok() && !strings.HasSuffix(populated.source, "type 37") {
		populated = edac
	}
	s.put("memory.channels_populated", populated)
	s.put("memory.channels", all)
}

// channelsByTable counts the channels of type 37 that have a module in one of
// their slots. Offsets 0x06, 0x07 from memory of DSP0134.
func (f firmwareTable) channelsByTable(slots []slot) reading {
	const source = tableSource + ": type 37"
	covered := map[smbios.Handle]bool{}
	holds := map[smbios.Handle]bool{}
	for _, m := range slots {
		holds[m.Handle] = m.Populated()
	}
	n := 0
	for _, st := range f.Structures {
		if st.Type != 37 {
			continue
		}
		used := false
		for _, h := range channelHandles(st.Formatted()) {
			covered[h] = true
			used = used || holds[h]
		}
		if used {
			n++
		}
	}
	if len(covered) == 0 {
		return unread(source, rig.Absent, "not in the table")
	}
	for h, populated := range holds {
		if populated && !covered[h] {
			return unread(source, rig.Absent, "a module belongs to no channel")
		}
	}
	return numberReading(source, float64(n), 1, 1024)
}

func channelHandles(b []byte) (handles []smbios.Handle) {
	if len(b) < 7 {
		return nil
	}
	for i, at := 0, 7; i < int(b[6]) && at+3 <= len(b); i, at = i+1, at+3 {
		handles = append(handles, smbios.Handle(binary.LittleEndian.Uint16(b[at+1:])))
	}
	return handles
}

// channelsByNames works the channels out of the texts of all slots, by the
// first reading of those texts that fits every one of them.
func (f firmwareTable) channelsByNames(slots []slot) (populated, all reading) {
	for _, way := range channelWays {
		channels, used := map[string]bool{}, map[string]bool{}
		fits := len(slots) > 0
		for _, m := range slots {
			c, ok := way.read(m.Module)
			if fits = fits && ok; !fits {
				break
			}
			channels[c] = true
			if m.Populated() {
				used[c] = true
			}
		}
		if fits {
			source := moduleSource + ": worked out from " + way.from
			return numberReading(source, float64(len(used)), 0, 1024), numberReading(source, float64(len(channels)), 1, 1024)
		}
	}
	r := unread(moduleSource, rig.Unknown, "the slots' names do not tell: "+slotNames(slots))
	return r, r
}

func slotNames(slots []slot) string {
	var names []string
	for _, m := range slots {
		names = append(names, m.Locator.String()+" in "+m.Bank.String())
	}
	return cut(strings.Join(names, ", "))
}

// channelWays are the ways slots are named, the plainest first. Common
// practice of board makers, no source.
var channelWays = []struct {
	from string
	read func(smbios.Module) (string, bool)
}{
	{"bank texts", func(m smbios.Module) (string, bool) { return namedChannel(m.Bank) }},
	{"locators", func(m smbios.Module) (string, bool) { return namedChannel(m.Locator) }},
	{"locators", func(m smbios.Module) (string, bool) { return letteredChannel(m.Locator) }},
	{"bank texts", func(m smbios.Module) (string, bool) { return letteredChannel(m.Bank) }},
}

var (
	channelWord = regexp.MustCompile(`^((?:.*[^A-Z])?)CH(?:AN(?:NEL)?)?[ _-]*([A-P]|[0-9]{1,2})(?:[^A-Z0-9].*)?$`)
	channelDIMM = regexp.MustCompile(`^(.*?)(?:DIMM|DDR[0-9]?)[ _-]*((?:P|CPU|PROC|NODE|CH)?[0-9]*[ _-]+)?([A-P])[ _-]?[0-9]{0,2}$`)
	slotWord    = regexp.MustCompile(`(?:DIMM|SLOT)[ _-]*[A-Z0-9]*`)
	separators  = regexp.MustCompile(`[ _.:/-]+`)
)

// namedChannel reads "P0 CHANNEL A", "Controller0-ChannelA-DIMM0", "ChannelB".
// What stands before the word, a socket or controller, is part of the name.
func namedChannel(t smbios.Text) (string, bool) {
	text, ok := t.Get()
	if !ok {
		return "", false
	}
	m := channelWord.FindStringSubmatch(strings.ToUpper(text))
	if m == nil {
		return "", false
	}
	return squeezed(slotWord.ReplaceAllString(m[1], "")) + "/" + m[2], true
}

// letteredChannel reads "DIMM_A1", "CPU0_DIMM_B2", "DIMM_P1_C0": the letter is
// the channel and the number the place on it.
func letteredChannel(t smbios.Text) (string, bool) {
	text, ok := t.Get()
	if !ok {
		return "", false
	}
	m := channelDIMM.FindStringSubmatch(strings.ToUpper(text))
	if m == nil {
		return "", false
	}
	return squeezed(m[1]) + squeezed(m[2]) + "/" + m[3], true
}

func squeezed(s string) string { return separators.ReplaceAllString(s, "") }

var edacChannel = regexp.MustCompile(`channel ([0-9]+)`)

// channelsByDriver counts the channels on which the memory controller's driver
// sees a module; it needs no rights.
func (s *sheet) channelsByDriver() reading {
	const dir = "sys/devices/system/edac/mc"
	source := "/" + dir + "/mc*/dimm*/dimm_location"
	met := map[string]bool{}
	for _, mc := range s.list(dir) {
		for _, d := range s.list(dir + "/" + mc) {
			if !numbered(mc, "mc") || !numbered(d, "dimm") {
				continue
			}
			location, err := s.tree.Text(fmt.Sprintf("%s/%s/%s/dimm_location", dir, mc, d))
			if err != nil {
				continue
			}
			m := edacChannel.FindStringSubmatch(location)
			if m == nil {
				return unread(source, rig.Unknown, "no channel in "+cut(location))
			}
			met[mc+"/"+m[1]] = true
		}
	}
	if len(met) == 0 {
		return unread(source, rig.Absent, "")
	}
	return numberReading(source, float64(len(met)), 1, 1024)
}
