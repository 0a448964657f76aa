package smbios

// Array is type 16: a group of memory slots.
type Array struct {
	Handle Handle
	Use    Value[ArrayUse]
	ECC    Value[ECC]
	Max    Value[Bytes] // the most it can hold
	Slots  Value[uint16]
}

// Arrays returns every type 16 in table order. Only those whose Use is
// UseSystemMemory hold what programs run in.
func (t Table) Arrays() []Array {
	var out []Array
	for _, s := range t.of(16) {
		use, hasUse := s.byte(0x05)
		ecc, hasECC := s.byte(0x06)
		slots, hasSlots := s.word(0x0D)
		out = append(out, Array{
			Handle: s.Handle,
			Use:    given(ArrayUse(use), hasUse, 0, 2),
			ECC:    given(ECC(ecc), hasECC, 0, 2),
			Max:    s.arrayMax(),
			Slots:  given(slots, hasSlots),
		})
	}
	return out
}

// arrayMax reads a capacity in KiB; 0x80000000 sends to a field in bytes.
func (s Structure) arrayMax() Value[Bytes] {
	kib, ok := s.dword(0x07)
	if kib == 0x80000000 {
		b, ok := s.qword(0x0F)
		return given(Bytes(b), ok, 0)
	}
	return given(Bytes(kib)*KiB, ok, 0)
}

// ArrayRange is type 19: where an array appears among the machine's addresses.
type ArrayRange struct {
	Array          Value[Handle]
	First, Last    Value[Address] // both belong to it
	PartitionWidth Value[uint8]   // modules that make up one row; hints at channels, unreliably
}

// Size is how much the range spans, Broken when it ends before it starts.
func (r ArrayRange) Size() Value[Bytes] {
	first, ok := r.First.Get()
	if !ok {
		return unread[Bytes](r.First.State())
	}
	last, ok := r.Last.Get()
	switch {
	case !ok:
		return unread[Bytes](r.Last.State())
	case last < first || last-first == 1<<64-1:
		return unread[Bytes](Broken)
	}
	return known(Bytes(last-first) + 1)
}

// ArrayRanges returns every type 19 in table order.
func (t Table) ArrayRanges() []ArrayRange {
	var out []ArrayRange
	for _, s := range t.of(19) {
		width, hasWidth := s.byte(0x0E)
		r := ArrayRange{Array: s.handle(0x0C), PartitionWidth: given(width, hasWidth, 0)}
		r.First, r.Last = s.arrayRange()
		out = append(out, r)
	}
	return out
}

// arrayRange reads first and last address, in KiB, of which the last counts as
// a whole; all ones in the first sends to two fields in bytes.
func (s Structure) arrayRange() (first, last Value[Address]) {
	from, hasFirst := s.dword(0x04)
	to, hasLast := s.dword(0x08)
	if from != 0xFFFFFFFF {
		return given(Address(from)<<10, hasFirst), given(Address(to)<<10|0x3FF, hasLast)
	}
	wideFrom, hasFirst := s.qword(0x0F)
	wideTo, hasLast := s.qword(0x17)
	return given(Address(wideFrom), hasFirst), given(Address(wideTo), hasLast)
}

// handle reads a reference to another structure; the two highest values say
// that there is none.
func (s Structure) handle(offset int) Value[Handle] {
	h, ok := s.word(offset)
	return given(Handle(h), ok, 0xFFFE, 0xFFFF)
}
