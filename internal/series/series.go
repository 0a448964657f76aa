package series

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
)

// MaxCount is the most values [Decode] takes: 64 Mi, half a gibibyte decoded.
const MaxCount = 64 << 20

var (
	// ErrMalformed is returned when bytes are not one encoded series.
	ErrMalformed = errors.New("not an encoded series")
	// ErrChecksum is returned when a series decodes but is not what was encoded.
	ErrChecksum = errors.New("checksum of series differs")
	// ErrTooMany is returned when a series has more values than the caller takes.
	ErrTooMany = errors.New("series has too many values")
)

const (
	magic    = "ws\x01"
	chunkLen = 1 << 15 // values in a chunk
	sumLen   = crc32.Size
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Encode appends the encoding of v to dst. It is exact for every input; more
// than [MaxCount] values need [DecodeMax] to be read back.
func Encode(dst []byte, v []int64) []byte { return encode(dst, v, true) }

// EncodeLight is [Encode] without the method for series that repeat themselves,
// whose tables take some megabytes of memory, for a process that must stay small.
func EncodeLight(dst []byte, v []int64) []byte { return encode(dst, v, false) }

func encode(dst []byte, v []int64, repeats bool) []byte {
	start := len(dst)
	dst = append(dst, magic...)
	dst = binary.AppendUvarint(dst, uint64(len(v)))
	if len(v) > 0 {
		low, scale := grid(v)
		dst = binary.AppendUvarint(dst, zigzag(low))
		dst = binary.AppendUvarint(dst, scale)
		if scale > 0 {
			dst = appendChunks(dst, v, low, scale, repeats)
		}
	}
	sum := crc32.Update(0, castagnoli, dst[start:])
	return binary.LittleEndian.AppendUint32(dst, sumValues(sum, v))
}

func appendChunks(dst []byte, v []int64, low int64, scale uint64, repeats bool) []byte {
	enc := encoders.Get().(*encoder)
	defer encoders.Put(enc)
	steps := make([]int64, 0, min(len(v), chunkLen))
	for c := range slices.Chunk(v, chunkLen) {
		steps = steps[:0]
		for _, x := range c {
			steps = append(steps, int64((uint64(x)-uint64(low))/scale))
		}
		dst = enc.appendChunk(dst, steps, repeats)
	}
	return dst
}

// Decode appends the values of the one encoded series b to dst. On an error dst
// comes back as it was, with [ErrMalformed], [ErrChecksum] or [ErrTooMany].
func Decode(dst []int64, b []byte) ([]int64, error) {
	return DecodeMax(dst, b, MaxCount)
}

// DecodeMax is [Decode] for a caller that knows how many values, at most, there
// can be: no more than most are allocated, whatever b claims.
func DecodeMax(dst []int64, b []byte, most int) ([]int64, error) {
	v, err := decode(dst, b, most)
	if err != nil {
		return dst, fmt.Errorf("decode series of %d bytes: %w", len(b), err)
	}
	return v, nil
}

func decode(dst []int64, b []byte, most int) ([]int64, error) {
	if len(b) < len(magic)+sumLen || string(b[:len(magic)]) != magic {
		return nil, fmt.Errorf("%w: no series begins so", ErrMalformed)
	}
	body := b[:len(b)-sumLen]
	r := reader{b: body[len(magic):]}
	count := r.uvarint()
	if r.bad {
		return nil, fmt.Errorf("%w: no count", ErrMalformed)
	}
	if most < 0 || count > uint64(most) {
		return nil, fmt.Errorf("%w: %d, limit %d", ErrTooMany, count, most)
	}
	start := len(dst)
	dst, err := r.values(dst, int(count))
	if err != nil {
		return nil, err
	}
	if len(r.b) != 0 {
		return nil, fmt.Errorf("%w: %d bytes too many", ErrMalformed, len(r.b))
	}
	sum := sumValues(crc32.Update(0, castagnoli, body), dst[start:])
	if sum != binary.LittleEndian.Uint32(b[len(body):]) {
		return nil, ErrChecksum
	}
	return dst, nil
}

// values reads grid and chunks and appends count values.
func (r *reader) values(dst []int64, count int) ([]int64, error) {
	if count == 0 {
		return dst, nil
	}
	low, scale := unzigzag(r.uvarint()), r.uvarint()
	if r.bad {
		return nil, fmt.Errorf("%w: no grid", ErrMalformed)
	}
	if scale == 0 {
		for range count {
			dst = append(dst, low)
		}
		return dst, nil
	}
	dec := decoders.Get().(*decoder)
	defer decoders.Put(dec)
	for left := count; left > 0; {
		n := min(left, chunkLen)
		steps, err := dec.chunk(r, n)
		if err != nil {
			return nil, fmt.Errorf("%w: value %d: %w", ErrMalformed, count-left, err)
		}
		dst = slices.Grow(dst, n)
		for _, k := range steps {
			dst = append(dst, low+int64(uint64(k)*scale))
		}
		left -= n
	}
	return dst, nil
}

// grid gives the least value and the greatest scale on whose steps above it all
// values lie; the scale is 0 if they are all equal.
func grid(v []int64) (low int64, scale uint64) {
	low = slices.Min(v)
	for _, x := range v {
		d := uint64(x) - uint64(low)
		if scale != 0 && d%scale == 0 {
			continue
		}
		for scale, d = d, scale; d != 0; scale, d = d, scale%d {
		}
		if scale == 1 {
			break
		}
	}
	return low, scale
}

// sumValues continues a CRC-32C over values, 8 little-endian bytes each.
func sumValues(sum uint32, v []int64) uint32 {
	var buf [512 * 8]byte
	for c := range slices.Chunk(v, len(buf)/8) {
		for i, x := range c {
			binary.LittleEndian.PutUint64(buf[8*i:], uint64(x))
		}
		sum = crc32.Update(sum, castagnoli, buf[:8*len(c)])
	}
	return sum
}

func zigzag(x int64) uint64   { return uint64(x<<1) ^ uint64(x>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// reader takes fields off the front of b; once bad it gives zeros.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uvarint() uint64 {
	u, n := binary.Uvarint(r.b)
	if n <= 0 || n > 1 && r.b[n-1] == 0 { // absent, too large, or not the shortest form
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return u
}

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		r.bad = true
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

// bytes takes a length and that many bytes.
func (r *reader) bytes() []byte {
	n := r.uvarint()
	if n > uint64(len(r.b)) {
		r.bad, r.b = true, nil
		return nil
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}
