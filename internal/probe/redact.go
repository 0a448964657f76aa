package probe

import (
	"bytes"
	"crypto/sha256"
	"strings"
	"unicode/utf8"

	"witnessmark/internal/smbios"
)

// redact replaces, in every file of the picture, what identifies one specimen.
func (p *picture) redact() {
	for name, b := range p.files {
		p.files[name] = redacted(name, b)
	}
}

func redacted(name string, b []byte) []byte {
	file := base(name)
	switch {
	case name == tableFile:
		return smbios.Redact(b, nil)
	case file == "edid":
		return redactedEDID(b)
	case strings.Contains(name, "/dmi/id/") && strings.HasSuffix(file, "_serial"):
		return []byte(smbios.StandIn(string(b), nil))
	case name == "etc/machine-id":
		return hexStandIn(b)
	case !utf8.Valid(b):
		return b
	}
	b = uuidText.ReplaceAllFunc(b, hexStandIn)
	return macText.ReplaceAllFunc(b, hexStandIn)
}

// hexStandIn keeps the shape of a UUID or an address and replaces every
// hexadecimal digit; the same text always gets the same stand-in.
func hexStandIn(text []byte) []byte {
	sum := sha256.Sum256(bytes.ToLower(text))
	out := bytes.Clone(text)
	for i, c := range out {
		if c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F' {
			digit := sum[i/2%len(sum)] >> (4 * (i % 2)) & 0xf
			out[i] = "0123456789abcdef"[digit]
		}
	}
	return out
}

// redactedEDID takes the serial numbers out of what a display says of itself:
// the number at 12, the text of descriptors of kind 0xFF, and all of the
// extension blocks, some of which hold it too. Offsets from memory of VESA
// E-EDID 1.4.
func redactedEDID(edid []byte) []byte {
	const block, serial, descriptors, descriptorSize = 128, 12, 54, 18
	if len(edid) < block {
		return make([]byte, len(edid))
	}
	out := bytes.Clone(edid)
	sum := sha256.Sum256(edid)
	copy(out[serial:], sum[:4])
	for at := descriptors; at+descriptorSize < block; at += descriptorSize {
		if d := out[at : at+descriptorSize]; bytes.HasPrefix(d, []byte{0, 0, 0, 0xFF}) {
			copy(d[5:], strings.Repeat("X", descriptorSize-5))
		}
	}
	clear(out[block:])
	out[block-1] = 0
	for _, c := range out[:block-1] {
		out[block-1] -= c
	}
	return out
}
