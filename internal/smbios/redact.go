package smbios

import (
	"bytes"
	"crypto/sha256"
	"strings"
)

// Digest turns an identifying text or number into bytes that stand for it and
// give nothing away. A keyed one resists guessing, which short serial numbers
// need; nil stands for plain SHA-256.
type Digest func([]byte) []byte

func (d Digest) of(parts ...[]byte) []byte {
	joined := bytes.Join(parts, nil)
	if d == nil {
		s := sha256.Sum256(joined)
		return s[:]
	}
	return d(joined)
}

// private lists, by structure type, the string references that name one
// particular piece of hardware: serial numbers and asset tags.
var private = map[uint8][]int{
	1:  {0x07},       // system
	2:  {0x07, 0x08}, // board
	3:  {0x07, 0x08}, // chassis
	4:  {0x20, 0x21}, // processor
	17: {0x18, 0x19}, // memory module
	22: {0x07},       // battery
	39: {0x08, 0x09}, // power supply
}

// Redact returns a copy of a table in which serial numbers, asset tags and the
// system's UUID are replaced by stand-ins, so that a rig's state can be given
// away. Every stand-in is as long as what it replaces, so no offset moves and
// no other field changes; equal inputs get equal stand-ins, so two tables still
// tell whether they are of one machine. Vendor fill stays as it is.
//
// A string that a serial number shares with another field is replaced for
// both. Free texts (type 11) and structures of the vendor's own are left
// alone. What cannot be walked, from the first damage on, may hold anything
// and is blanked out behind its header, such that the damage stays the same.
func Redact(table []byte, digest Digest) []byte {
	out := bytes.Clone(table)
	pos, count := 0, 0
	for ; pos < min(len(out), MaxTable) && count < MaxStructures && !isPadding(out[pos:]); count++ {
		s, damage := cutStructure(out[pos:min(len(out), MaxTable)])
		if damage != nil {
			break
		}
		redactStructure(s, out[pos:pos+s.size], digest)
		pos += s.size
	}
	if !isPadding(out[pos:]) {
		blank := out[min(len(out), pos+headerSize):]
		copy(blank, bytes.Repeat([]byte{'x'}, len(blank)))
	}
	return out
}

// redactStructure works on the structure's own bytes, of which s is the reading.
func redactStructure(s Structure, raw []byte, digest Digest) {
	if s.Type == 1 && s.has(0x08, 16) {
		redactUUID(raw[0x08:0x18], digest)
	}
	for _, offset := range private[s.Type] {
		ref, ok := s.byte(offset)
		if !ok || ref == 0 || int(ref) > len(s.strings) {
			continue
		}
		copy(raw[s.stringAt(ref):], StandIn(s.strings[ref-1], digest))
	}
}

// stringAt is where the string of a reference starts within the structure.
func (s Structure) stringAt(ref uint8) int {
	at := len(s.formatted)
	for _, earlier := range s.strings[:ref-1] {
		at += len(earlier) + 1
	}
	return at
}

func redactUUID(raw []byte, digest Digest) {
	if u := UUID(raw); isOneByte(u, 0x00) || isOneByte(u, 0xFF) {
		return
	}
	copy(raw, stretch(raw, 0, len(raw), digest))
}

// standInLetters has 32 characters that read well in print: no I, O, S or Z.
const standInLetters = "0123456789ABCDEFGHJKLMNPQRTUVWXY"

// StandIn returns the text that Redact puts in the place of a serial number or
// asset tag: digits and capitals, as many as the text has bytes, with the
// blanks around it kept. Vendor fill comes back unchanged. Use it wherever the
// same serial number is found outside the table.
func StandIn(text string, digest Digest) string {
	if IsFill(text) {
		return text
	}
	core := strings.TrimSpace(text)
	before, after, _ := strings.Cut(text, core)
	for again := range byte(16) { // a short one may come out as vendor fill
		letters := stretch([]byte(core), again, len(core), digest)
		for i, b := range letters {
			letters[i] = standInLetters[int(b)%len(standInLetters)]
		}
		if s := string(letters); !IsFill(s) || again == 15 {
			return before + s + after
		}
	}
	return text
}

// stretch gives n bytes of digest: that of the input itself, then as many
// blocks made from it as are needed. A value of again other than 0 draws others.
func stretch(input []byte, again byte, n int, digest Digest) []byte {
	seed := digest.of(input)
	if again != 0 {
		seed = digest.of(seed, []byte{again})
	}
	out := append(make([]byte, 0, n), seed...)
	for block := 1; len(out) < n; block++ {
		more := digest.of(seed, []byte{0, byte(block), byte(block >> 8), byte(block >> 16)})
		if len(more) == 0 {
			more = make([]byte, n) // a digest that gives nothing stands for zeros
		}
		out = append(out, more...)
	}
	return out[:n]
}
