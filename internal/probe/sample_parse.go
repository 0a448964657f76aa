package probe

import (
	"bytes"

	"witnessmark/internal/rig"
)

// The parsers below read what a kernel file holds without allocating. Each
// gives the number, or why there is none.

// trimmed is b without blanks, line ends and zero bytes around it.
func trimmed(b []byte) []byte { return bytes.Trim(b, " \t\r\n\x00") }

// leadingInteger reads the decimal number that b starts with and gives the rest.
func leadingInteger(b []byte) (v int64, rest []byte, ok bool) {
	i := 0
	negative := len(b) > 0 && b[0] == '-'
	if negative {
		i = 1
	}
	from := i
	for ; i < len(b) && b[i] >= '0' && b[i] <= '9'; i++ {
		if v > (1<<63-1-9)/10 {
			return 0, b, false
		}
		v = v*10 + int64(b[i]-'0')
	}
	if negative {
		v = -v
	}
	return v, b[i:], i > from
}

// parseInteger reads a file of one whole number.
func parseInteger(b []byte) (int64, cause) {
	v, rest, ok := leadingInteger(b)
	if ok && (len(rest) == 0 || len(rest) == 1 && rest[0] == '\n') {
		return v, cause{}
	}
	return parseIntegerWithin(b)
}

// parseIntegerWithin is parseInteger for a number with blanks around it, and
// for files without one.
func parseIntegerWithin(b []byte) (int64, cause) {
	b = trimmed(b)
	v, rest, ok := leadingInteger(b)
	switch {
	case ok && len(rest) == 0:
		return v, cause{}
	case len(b) == 0:
		return 0, causeEmpty
	case saysUnknown(b):
		return 0, causeUnknown
	}
	return 0, causeNoNumber
}

func saysUnknown(b []byte) bool {
	b = bytes.Trim(b, "<>")
	return bytes.EqualFold(b, []byte("unknown")) || bytes.EqualFold(b, []byte("unsupported")) || bytes.HasPrefix(b, []byte("Unknown"))
}

// parseCooling reads the state of a cooling device, which is -1 where that is
// not in force.
func parseCooling(b []byte) (int64, cause) {
	v, wrong := parseInteger(b)
	if v == -1 {
		return 0, cause{reason: rig.Unknown, detail: "not in force"}
	}
	return v, wrong
}

// parseLinkSpeed reads "16.0 GT/s PCIe" as tenths of a gigatransfer a second.
func parseLinkSpeed(b []byte) (int64, cause) {
	whole, rest, ok := leadingInteger(b)
	switch {
	case !ok && saysUnknown(trimmed(b)):
		return 0, causeUnknown
	case !ok || whole < 0 || whole > 1e6:
		return 0, causeNoNumber
	}
	tenth := int64(0)
	if len(rest) >= 2 && rest[0] == '.' && rest[1] >= '0' && rest[1] <= '9' {
		tenth, rest = int64(rest[1]-'0'), rest[2:]
	}
	if !bytes.HasPrefix(rest, []byte(" GT/s")) {
		return 0, causeNoNumber
	}
	return whole*10 + tenth, cause{}
}

// parsePressure reads the total of the line "some" of a pressure file.
func parsePressure(b []byte) (int64, cause) {
	if !bytes.HasPrefix(b, []byte("some ")) {
		return 0, causeNoNumber
	}
	return numberAfter(b, "total=")
}

// parseAvailable reads MemAvailable of /proc/meminfo, which is in KiB, as whole MiB.
func parseAvailable(b []byte) (int64, cause) {
	kib, wrong := numberAfter(b, "MemAvailable:")
	return kib >> 10, wrong
}

// numberAfter reads the number behind the first word in b, past blanks. One
// that ends where b ends may have been cut off and is not taken.
func numberAfter(b []byte, word string) (int64, cause) {
	i := bytes.Index(b, []byte(word))
	if i < 0 {
		return 0, cause{reason: rig.Absent, detail: "no such line"}
	}
	v, rest, ok := leadingInteger(bytes.TrimLeft(b[i+len(word):], " \t"))
	if !ok || len(rest) == 0 {
		return 0, causeNoNumber
	}
	return v, cause{}
}

// parseTicks reads the line for all processors of /proc/stat.
func parseTicks(b []byte) (jiffies, bool) {
	var j jiffies
	if !bytes.HasPrefix(b, []byte("cpu ")) {
		return j, false
	}
	b = b[4:]
	for i := range j {
		b = bytes.TrimLeft(b, " ")
		v, rest, ok := leadingInteger(b)
		if !ok || v < 0 || len(rest) == 0 {
			return j, i >= 4 // older kernels show fewer
		}
		j[i], b = uint64(v), rest
	}
	return j, true
}
