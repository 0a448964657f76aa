package watch

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
	"time"

	"github.com/klauspost/compress/flate"

	"witnessmark/internal/rig"
	"witnessmark/internal/series"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A segment of the ring is a row of blocks:
//
//	4  "wr", the version 0x01, and the kind: h, d, s or t
//	4  length of the payload, little-endian
//	4  CRC-32C, little-endian, over kind, length and payload
//	   payload
//
// A block h says, as JSON, which signals the blocks s and t after it hold, a block
// d the same deflated; each segment begins with one. A block t is a block s that
// was thinned, behind the pace in nanoseconds as a varint. Where a block is not
// whole the segment ends.
const (
	blockMagic  = "wr\x01"
	blockHead   = len(blockMagic) + 1 + 4 + 4
	kindHeads   = 'h'
	kindPacked  = 'd'
	kindPiece   = 's'
	kindThinned = 't'
	maxBlock    = 16 << 20
)

// heads says what a piece's signals are, by their places.
type heads struct {
	Boot    string `json:"boot"`
	Session string `json:"session"` // of the sampler; another one begins with the agent
	Signals []head `json:"signals"`

	Apart time.Duration `json:"apart,omitempty"` // the slowest that passes are meant to be, if slower than a pump that was given no paces
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
	pace               time.Duration // to which it was thinned; 0 if it is as it was sampled
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

// blockReader takes whole blocks off a segment, each into the same bytes.
type blockReader struct {
	from  io.Reader
	head  [blockHead]byte
	bytes []byte
	whole int64 // bytes of the blocks that were taken
}

// next gives a block, whose payload is valid until the one after it; false where
// there is none that is whole.
func (r *blockReader) next() (kind byte, payload []byte, ok bool, err error) {
	if _, err := io.ReadFull(r.from, r.head[:]); err != nil {
		return 0, nil, false, damage(err)
	}
	length := binary.LittleEndian.Uint32(r.head[4:])
	if string(r.head[:len(blockMagic)]) != blockMagic || length > maxBlock {
		return 0, nil, false, nil
	}
	if r.bytes, err = readInto(r.bytes[:0], r.from, int(length)); err != nil {
		return 0, nil, false, damage(err)
	}
	sum := crc32.Update(crc32.Checksum(r.head[len(blockMagic):blockHead-4], castagnoli), castagnoli, r.bytes)
	if sum != binary.LittleEndian.Uint32(r.head[8:]) {
		return 0, nil, false, nil
	}
	r.whole += int64(blockHead) + int64(length)
	return r.head[3], r.bytes, true, nil
}

// readInto reads n bytes into b, which grows with what is there and not on the
// word of a header.
func readInto(b []byte, from io.Reader, n int) ([]byte, error) {
	const step = 64 << 10
	for len(b) < n {
		k := len(b)
		b = slices.Grow(b, min(step, n-k))[:min(n, k+step)]
		if _, err := io.ReadFull(from, b[k:]); err != nil {
			return b[:k], err
		}
	}
	return b, nil
}

// damage is nil for an end that came early.
func damage(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return nil
	}
	return err
}

// walk calls f for each whole piece of a segment until it says false, with all
// of those that full asks for and of the others their times. It gives how many
// bytes of whole blocks it went through.
func walk(from io.Reader, full func(piece) bool, f func(heads, piece) bool) (int64, error) {
	r := blockReader{from: from}
	var h heads
	for {
		before := r.whole
		kind, payload, ok, err := r.next()
		if err != nil || !ok {
			return before, err
		}
		switch {
		case kind == kindHeads || kind == kindPacked:
			boot := h.Boot
			if h, ok = parseHeads(kind, payload); !ok || boot != "" && boot != h.Boot {
				return before, nil
			}
		case (kind == kindPiece || kind == kindThinned) && h.Boot != "":
			p, err := parsePiece(kind, payload, len(h.Signals), true)
			if err == nil && full(p) {
				p, err = parsePiece(kind, payload, len(h.Signals), false)
			}
			if err != nil {
				return before, nil
			}
			if !f(h, p) {
				return r.whole, nil
			}
		default:
			return before, nil
		}
	}
}

func appendHeads(b []byte, h heads) ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return b, err
	}
	if len(text) > maxBlock {
		return b, fmt.Errorf("%d signals are too many", len(h.Signals))
	}
	var packed bytes.Buffer
	if err := flate.StatelessDeflate(&packed, text, true, nil); err == nil && packed.Len() < len(text) {
		return appendBlock(b, kindPacked, packed.Bytes()), nil
	}
	return appendBlock(b, kindHeads, text), nil
}

func unpacked(kind byte, payload []byte) ([]byte, error) {
	if kind == kindHeads {
		return payload, nil
	}
	text, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(payload)), maxBlock+1))
	if err == nil && len(text) > maxBlock {
		err = errPiece
	}
	return text, err
}

func parseHeads(kind byte, payload []byte) (h heads, ok bool) {
	text, err := unpacked(kind, payload)
	if err != nil || json.Unmarshal(text, &h) != nil || h.Boot == "" || h.Apart < 0 || h.Apart > time.Hour {
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
	kind := byte(kindPiece)
	if p.pace > 0 {
		kind, w = kindThinned, binary.AppendUvarint(w, uint64(p.pace))
	}
	for _, d := range []time.Duration{p.from, p.to - p.from, p.awakeFrom, p.awakeTo - p.awakeFrom, p.cpu, time.Duration(p.peak)} {
		w = binary.AppendUvarint(w, uint64(d))
	}
	w = appendText(w, p.why)
	w = binary.AppendUvarint(w, uint64(len(p.parts)))
	rows := rowsOf{places: map[uint32][]int{}}
	for _, x := range p.parts {
		w = binary.AppendUvarint(w, uint64(x.signal))
		row, fresh := rows.place(x.offsets)
		if fresh {
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
	return appendBlock(b, kind, w)
}

// rowsOf are the offsets of parts: those that several share are written once.
type rowsOf struct {
	rows   [][]int64
	places map[uint32][]int
}

// place gives the row's place, and whether it is a fresh one.
func (r *rowsOf) place(row []int64) (place int, fresh bool) {
	key := uint32(len(row))
	for _, o := range row {
		key = key*16777619 ^ uint32(o/1e5)
	}
	for _, k := range r.places[key] {
		if slices.Equal(r.rows[k], row) {
			return k, false
		}
	}
	place, r.rows = len(r.rows), append(r.rows, row)
	r.places[key] = append(r.places[key], place)
	return place, true
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

var errPiece = errors.New("not a piece of signals")

// parsePiece reads a piece of so many signals; the head of it only if times is
// set.
func parsePiece(kind byte, payload []byte, signals int, times bool) (p piece, err error) {
	r := pieceReader{b: payload}
	if kind == kindThinned {
		p.pace = r.duration()
		r.bad = r.bad || p.pace == 0
	}
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
