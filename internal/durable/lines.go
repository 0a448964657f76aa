package durable

import (
	"bytes"
	"encoding/hex"
	"hash/crc32"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

const sumText = 2 * crc32.Size

// AppendLine adds text to b as a line that tells whether it is whole: the
// CRC-32C of text in hexadecimal, a blank, and text, which holds no line break.
func AppendLine(b, text []byte) []byte {
	b = hex.AppendEncode(b, sumOf(text))
	b = append(b, ' ')
	b = append(b, text...)
	return append(b, '\n')
}

func sumOf(b []byte) []byte {
	sum := crc32.Checksum(b, castagnoli)
	return []byte{byte(sum >> 24), byte(sum >> 16), byte(sum >> 8), byte(sum)}
}

// Lines gives the texts of the lines in b that are whole, with nil in place of
// each that is not. What a crash left of a last line is passed over.
func Lines(b []byte) (texts [][]byte) {
	for line := range bytes.Lines(b) {
		line, whole := bytes.CutSuffix(line, []byte("\n"))
		if !whole {
			break
		}
		if len(line) < sumText+1 || line[sumText] != ' ' || !bytes.Equal(line[:sumText], hex.AppendEncode(nil, sumOf(line[sumText+1:]))) {
			texts = append(texts, nil)
			continue
		}
		texts = append(texts, line[sumText+1:])
	}
	return texts
}
