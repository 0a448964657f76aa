package timing

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// lineLimit is the longest line, in bytes, that is taken for text.
const lineLimit = 64 << 10

// text is a log's bytes as lines.
type text struct {
	data     []byte
	eol      byte     // '\n', or '\r' when the file has no '\n'
	prefixes []string // what starts a comment line
	sep      byte     // the separator that a first line "sep=;" names, or 0
}

// openText drops the byte-order mark and refuses what is not text.
func openText(data []byte, comment string) (*text, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xEF, 0xBB, 0xBF}):
		data = data[3:]
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}), bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		return nil, &Refused{Code: "encoding", Line: 1, Why: "the log is UTF-16, by its byte-order mark; only UTF-8 is read"}
	}
	t := &text{data: data, eol: '\n'}
	if bytes.IndexByte(data, '\n') < 0 && bytes.IndexByte(data, '\r') >= 0 {
		t.eol = '\r'
	}
	if comment != none {
		t.prefixes = strings.Fields(comment)
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, &Refused{Code: "binary", Line: t.lineAt(i), Why: "the log holds a NUL byte: it is binary, or UTF-16 without a byte-order mark"}
	}
	if !utf8.Valid(data) {
		i := firstInvalid(data)
		return nil, &Refused{
			Code: "binary", Line: t.lineAt(i), Text: fmt.Sprintf("byte 0x%02X", data[i]),
			Why: "is not UTF-8: the log is binary, or text in another encoding",
		}
	}
	t.sep = separatorLine(data)
	return t, nil
}

// separatorLine reads a first line such as "sep=;", which spreadsheets write and
// heed, and gives the separator, or 0.
func separatorLine(data []byte) byte {
	const key = "sep="
	if len(data) < len(key)+2 || string(data[:len(key)]) != key || data[len(key)+1] != '\n' && data[len(key)+1] != '\r' {
		return 0
	}
	if c := data[len(key)]; c == ',' || c == ';' || c == '\t' {
		return c
	}
	return 0
}

func firstInvalid(data []byte) int {
	i := 0
	for i < len(data) {
		r, size := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && size <= 1 {
			break
		}
		i += size
	}
	return i
}

// lineAt gives the line, from 1, of a byte offset.
func (t *text) lineAt(offset int) int {
	return 1 + bytes.Count(t.data[:offset], []byte{t.eol})
}

// rows walks the lines that are neither blank nor comments.
type rows struct {
	t         *text
	rest      []byte
	line      int  // of the row last given, from 1
	unended   bool // that row is the last and has no line ending
	tooLong   int  // length of a line past lineLimit, which ends the walk; 0 for none
	firstGap  int  // line of the first blank line between rows, 0 for none
	gaps      int  // blank lines between rows
	pending   int  // blank lines since the last row
	pendingAt int
	started   bool
}

func (t *text) rows() *rows { return &rows{t: t, rest: t.data} }

// next gives the next row without its line ending; ok is false at the end.
func (r *rows) next() (row []byte, ok bool) {
	for len(r.rest) > 0 {
		r.line++
		line := r.rest
		if i := bytes.IndexByte(line, r.t.eol); i >= 0 {
			line, r.rest = line[:i], line[i+1:]
			r.unended = false
		} else {
			r.rest, r.unended = nil, true
		}
		for len(line) > 0 && line[len(line)-1] == '\r' {
			line = line[:len(line)-1]
		}
		if len(line) > lineLimit {
			r.tooLong, r.rest = len(line), nil
			return nil, false
		}
		if len(line) == 0 || line[0] <= ' ' && len(trim(line)) == 0 {
			if r.pending++; r.pending == 1 {
				r.pendingAt = r.line
			}
			r.unended = false
			continue
		}
		if r.line == 1 && r.t.sep != 0 || r.isComment(line) {
			r.unended = false
			continue
		}
		r.closeGap()
		return line, true
	}
	return nil, false
}

// room is for as many durations as there can be rows: lines, of at least a byte and
// its ending. Blank lines and comments leave some of it untouched.
func (t *text) room() []int64 {
	lines := bytes.Count(t.data, []byte{t.eol}) + 1
	return make([]int64, 0, min(lines, len(t.data)/2+1))
}

// err is the refusal of a line past lineLimit, or nil.
func (r *rows) err() error {
	if r.tooLong == 0 {
		return nil
	}
	return &Refused{Code: "binary", Line: r.line, Why: fmt.Sprintf("a line of %d bytes is no row of a log; %d is the most", r.tooLong, lineLimit)}
}

// closeGap counts blank lines once a row follows them; those before the first
// row and after the last are nothing to report.
func (r *rows) closeGap() {
	if r.pending > 0 && r.started {
		if r.gaps == 0 {
			r.firstGap = r.pendingAt
		}
		r.gaps += r.pending
	}
	r.pending, r.started = 0, true
}

func (r *rows) isComment(line []byte) bool {
	if len(r.t.prefixes) == 0 {
		return false
	}
	line = trimLeft(line)
	for _, p := range r.t.prefixes {
		if line[0] == p[0] && len(line) >= len(p) && string(line[:len(p)]) == p {
			return true
		}
	}
	return false
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }

func trimLeft(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	return b
}

func trim(b []byte) []byte {
	b = trimLeft(b)
	for len(b) > 0 && isBlank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

// split appends the fields of a line to dst, trimmed and without their quotes
// ("" inside stays as it is). sep is as Layout.sepByte gives it. ok is false when
// a quote is left open or followed by more than the separator.
func split(dst [][]byte, line []byte, sep byte) (fields [][]byte, ok bool) {
	if sep == ' ' {
		line = trim(line)
	}
	for {
		line = trimField(line, sep)
		var field []byte
		if len(line) > 0 && line[0] == '"' {
			end := closingQuote(line)
			if end < 0 {
				return dst, false
			}
			field, line = line[1:end], trimField(line[end+1:], sep)
			if len(line) > 0 && !endsField(line[0], sep) && !(sep == ' ' && isBlank(line[0])) {
				return dst, false
			}
		} else {
			end := fieldEnd(line, sep)
			field, line = trim(line[:end]), line[end:]
		}
		dst = append(dst, field)
		if len(line) == 0 {
			return dst, true
		}
		if line = line[1:]; sep == ' ' {
			line = trimLeft(line)
		}
	}
}

// trimField drops the blanks before a field, leaving a tab that separates.
func trimField(b []byte, sep byte) []byte {
	if sep == ' ' {
		return b
	}
	for len(b) > 0 && isBlank(b[0]) && b[0] != sep {
		b = b[1:]
	}
	return b
}

func endsField(c, sep byte) bool { return c == sep || sep == ' ' && c == '\t' }

func fieldEnd(line []byte, sep byte) int {
	for i, c := range line {
		if endsField(c, sep) {
			return i
		}
	}
	return len(line)
}

// closingQuote finds the quote that ends a field starting with one, or -1.
func closingQuote(b []byte) int {
	for i := 1; i < len(b); i++ {
		if b[i] != '"' {
			continue
		}
		if i+1 < len(b) && b[i+1] == '"' {
			i++
			continue
		}
		return i
	}
	return -1
}
