package smbios

// Processor is type 4: one socket.
type Processor struct {
	Handle                                      Handle
	Socket, Maker, Version, Serial, Asset, Part Text
	Populated                                   Value[bool]

	Cores, CoresEnabled, Threads Value[uint16]
	MaxSpeed                     Value[Megahertz] // the most the socket supports, not the processor's turbo
	CurrentSpeed                 Value[Megahertz] // at the time the firmware wrote the table
}

// Processors returns every type 4 in table order, empty sockets included.
func (t Table) Processors() []Processor {
	var out []Processor
	for _, s := range t.of(4) {
		status, there := s.byte(0x18)
		out = append(out, Processor{
			Handle:       s.Handle,
			Socket:       s.text(0x04),
			Maker:        s.text(0x07),
			Version:      s.text(0x10),
			Serial:       s.text(0x20),
			Asset:        s.text(0x21),
			Part:         s.text(0x22),
			Populated:    given(status&(1<<6) != 0, there),
			Cores:        s.count(0x23, 0x2A),
			CoresEnabled: s.count(0x24, 0x2C),
			Threads:      s.count(0x25, 0x2E),
			MaxSpeed:     s.clock(0x14),
			CurrentSpeed: s.clock(0x16),
		})
	}
	return out
}

// count reads a count of one byte, 0 unknown. 0xFF there sends to the word at
// wide, where the structure reaches that far; before the word existed it was
// just 255.
func (s Structure) count(offset, wide int) Value[uint16] {
	n, ok := s.byte(offset)
	if n == 0xFF {
		if w, ok := s.word(wide); ok {
			return given(w, ok, 0, 0xFFFF)
		}
	}
	return given(uint16(n), ok, 0)
}

func (s Structure) clock(offset int) Value[Megahertz] {
	c, ok := s.word(offset)
	return given(Megahertz(c), ok, 0)
}
