package watch

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash/crc32"
	"slices"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/series"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A segment of the ring is a row of blocks:
//
//	4  "wr", the version 0x01, and the kind: h or s
//	4  length of the payload, little-endian
//	4  CRC-32C, little-endian, over kind, length and payload
//	   payload
//
// A block h says, as JSON, which signals the blocks s after it hold; each segment
// begins with one. Where a block is not whole the segment ends.
const (
	blockMagic = "wr\x01"
	blockHead  = len(blockMagic) + 1 + 4 + 4
	kindHeads  = 'h'
	kindPiece  = 's'
	maxBlock   = 16 << 20
)

// heads says what a piece's signals are, by their places.
type heads struct {
	Boot    string `json:"boot"`
	Session string `json:"session"` // of the sampler; another one begins with the agent
	Signals []head `json:"signals"`
}

type head struct {
	Key      rig.Key     `json:"key"`
	Unit     rig.Unit    `json:"unit,omitempty"`
	Exponent int         `json:"exponent,omitempty"`
	Source   string      `json:"source,omitempty"`
	Limits   []rig.Limit `json:"limits,omitempty"`
	Counter  bool        `json:"counter,omitempty"`
	Unread   rig.Unread  `json:"unread,omitzero"`
	Doubted  bool        `json:"doubted,omitempty"`
}

func (h head) signal() rig.Signal {
	return rig.Signal{Key: h.Key, Unit: h.Unit, Exponent: h.Exponent, Source: h.Source, Limits: h.Limits, Counter: h.Counter, Unread: h.Unread}
}

// piece is what all signals gave through some seconds. Offsets are since the boot.
type piece struct {
	from, to           time.Duration // first and last pass, by the boot clock
	awakeFrom, awakeTo time.Duration // the same by the clock that stops in suspension
	cpu                time.Duration // that the agent has used so far
	peak               int64         // bytes resident at most so far
	why                string        // nothing lies between the piece before and this one; "" if that is plain
	parts              []part
}

type part struct {
	signal  int // place among the heads
	offsets []int64
	values  []int64
	gaps    []rig.Gap
}

func appendBlock(b []byte, kind byte, payload []byte) []byte {
	start := len(b)
	b = append(b, blockMagic...)
	b = append(b, kind)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(payload)))
	sum := crc32.Update(crc32.Checksum(b[start+len(blockMagic):], castagnoli), castagnoli, payload)
	b = binary.LittleEndian.AppendUint32(b, sum)
	return append(b, payload...)
}

// nextBlock takes a whole block off b; false where there is none.
func nextBlock(b []byte) (kind byte, payload, rest []byte, ok bool) {
	if len(b) < blockHead || string(b[:len(blockMagic)]) != blockMagic {
		return 0, nil, nil, false
	}
	length := binary.LittleEndian.Uint32(b[4:])
	if length > maxBlock || int(length) > len(b)-blockHead {
		return 0, nil, nil, false
	}
	payload = b[blockHead : blockHead+int(length)]
	sum := crc32.Update(crc32.Checksum(b[len(blockMagic):blockHead-4], castagnoli), castagnoli, payload)
	if sum != binary.LittleEndian.Uint32(b[8:]) {
		return 0, nil, nil, false
	}
	return b[3], payload, b[blockHead+int(length):], true
}

func appendHeads(b []byte, h heads) ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return b, err
	}
	return appendBlock(b, kindHeads, text), nil
}

func parseHeads(payload []byte) (h heads, ok bool) {
	if json.Unmarshal(payload, &h) != nil || h.Boot == "" {
		return h, false
	}
	for _, s := range h.Signals {
		if s.Key == "" || s.Exponent < -30 || s.Exponent > 30 || s.Unread.Reason != "" && !slices.Contains(rig.Reasons, s.Unread.Reason) {
			return h, false
		}
	}
	return h, true
}

func appendPiece(b []byte, p piece) []byte {
	var w []byte
	for _, d := range []time.Duration{p.from, p.to - p.from, p.awakeFrom, p.awakeTo - p.awakeFrom, p.cpu, time.Duration(p.peak)} {
		w = binary.AppendUvarint(w, uint64(d))
	}
	w = appendText(w, p.why)
	w = binary.AppendUvarint(w, uint64(len(p.parts)))
	var rows [][]int64 // offsets that parts share are written once
	for _, x := range p.parts {
		w = binary.AppendUvarint(w, uint64(x.signal))
		row := slices.IndexFunc(rows, func(r []int64) bool { return slices.Equal(r, x.offsets) })
		if row < 0 {
			row, rows = len(rows), append(rows, x.offsets)
			w = binary.AppendUvarint(w, uint64(row))
			w = appendText(w, string(series.EncodeLight(nil, x.offsets)))
		} else {
			w = binary.AppendUvarint(w, uint64(row))
		}
		w = appendText(w, string(series.EncodeLight(nil, x.values)))
		w = binary.AppendUvarint(w, uint64(len(x.gaps)))
		for _, g := range x.gaps {
			w = binary.AppendUvarint(binary.AppendUvarint(w, uint64(g.From)), uint64(g.To-g.From))
			w = appendText(appendText(w, string(g.Reason)), g.Detail)
		}
	}
	return appendBlock(b, kindPiece, w)
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

var errPiece = errors.New("not a piece of signals")

// parsePiece reads a piece of so many signals; the head of it only if times is
// set.
func parsePiece(payload []byte, signals int, times bool) (p piece, err error) {
	r := pieceReader{b: payload}
	p.from, p.to = r.span()
	p.awakeFrom, p.awakeTo = r.span()
	p.cpu, p.peak, p.why = r.duration(), int64(r.duration()), r.text()
	if r.bad || times {
		return p, r.err()
	}
	var rows [][]int64
	for n := r.number(len(payload)); n > 0 && !r.bad; n-- {
		x := part{signal: r.number(signals - 1)}
		row := r.number(len(rows))
		if row == len(rows) && !r.bad {
			rows = append(rows, r.series())
		}
		if r.bad {
			break
		}
		x.offsets, x.values = rows[row], r.series()
		for g := r.number(len(payload)); g > 0 && !r.bad; g-- {
			var gap rig.Gap
			gap.From, gap.To = r.span()
			gap.Reason, gap.Detail = rig.Reason(r.text()), r.text()
			r.bad = r.bad || !slices.Contains(rig.Reasons, gap.Reason)
			x.gaps = append(x.gaps, gap)
		}
		r.bad = r.bad || len(x.offsets) != len(x.values) || !slices.IsSorted(x.offsets) ||
			len(x.offsets) > 0 && (x.offsets[0] < int64(p.from) || x.offsets[len(x.offsets)-1] > int64(p.to))
		p.parts = append(p.parts, x)
	}
	r.bad = r.bad || len(r.b) > 0
	return p, r.err()
}

// pieceReader takes fields off the front of b; once bad it gives zeros.
type pieceReader struct {
	b   []byte
	bad bool
}

func (r *pieceReader) err() error {
	if r.bad {
		return errPiece
	}
	return nil
}

func (r *pieceReader) duration() time.Duration {
	u, n := binary.Uvarint(r.b)
	if n <= 0 || u > 1<<61 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return time.Duration(u)
}

func (r *pieceReader) span() (from, to time.Duration) {
	from = r.duration()
	return from, from + r.duration()
}

// number takes one from 0 to most.
func (r *pieceReader) number(most int) int {
	d := r.duration()
	if d > time.Duration(most) {
		r.bad = true
		return 0
	}
	return int(d)
}

func (r *pieceReader) text() string {
	n := r.number(len(r.b))
	if r.bad || n > len(r.b) {
		r.bad = true
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}

// maxPieceSamples bounds a signal's samples in a piece; at 10 Hz it holds hours.
const maxPieceSamples = 1 << 17

func (r *pieceReader) series() []int64 {
	v, err := series.DecodeMax(nil, []byte(r.text()), maxPieceSamples)
	r.bad = r.bad || err != nil
	return v
}
