package series

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"

	"github.com/klauspost/compress/fse"
)

// A miss is written as a class, which is entropy-coded, and the bits below it,
// which are as good as random. The zigzag value of a miss has a class of its own
// below 16; above, a class takes its bit length and the two bits after the
// leading one, so 64-bit values need 16 + 60*4 = 256 classes.
const exactClasses = 16

// How the classes of a chunk are written.
const (
	classesPlain = 0 // a byte each
	classesSame  = 1 // one byte for all
	classesCoded = 2 // finite state entropy
)

// class gives the class of u and how many low bits of u it leaves out.
func class(u uint64) (c byte, below int) {
	if u < exactClasses {
		return byte(u), 0
	}
	n := bits.Len64(u)
	return byte(exactClasses + (n-5)*4 + int(u>>(n-3)&3)), n - 3
}

// classBase gives the least value of class c and how many low bits it leaves out.
func classBase(c byte) (u uint64, below int) {
	if c < exactClasses {
		return uint64(c), 0
	}
	below = int(c-exactClasses)/4 + 2
	return uint64(4+(c-exactClasses)%4) << below, below
}

// codeBits estimates the length of the code of misses, in bits.
func codeBits(misses []int64) float64 {
	var seen [256]int
	var low int
	for _, m := range misses {
		c, below := class(zigzag(m))
		seen[c]++
		low += below
	}
	sum, n := float64(low), float64(len(misses))
	for _, k := range seen {
		if k > 0 {
			sum += 4 + float64(float64(k)*math.Log2(n/float64(k))) // 4: its share of the table
		}
	}
	return sum
}

// classWriter writes misses.
type classWriter struct {
	scratch fse.Scratch
	classes []byte
	low     bitWriter
}

// appendClasses writes the classes of misses and then the bits below them.
func (w *classWriter) appendClasses(dst []byte, misses []int64) []byte {
	w.classes, w.low.b = w.classes[:0], w.low.b[:0]
	for _, m := range misses {
		u := zigzag(m)
		c, below := class(u)
		w.classes = append(w.classes, c)
		w.low.write(u, below)
	}
	how, coded := w.code()
	dst = append(dst, how)
	dst = binary.AppendUvarint(dst, uint64(len(coded)))
	dst = append(dst, coded...)
	return append(dst, w.low.end()...)
}

// code gives the shortest way to write the classes.
func (w *classWriter) code() (how byte, coded []byte) {
	w.scratch.TableLog = 12
	coded, err := fse.Compress(w.classes, &w.scratch)
	switch {
	case err == nil:
		return classesCoded, coded
	case errors.Is(err, fse.ErrUseRLE):
		return classesSame, w.classes[:1]
	}
	return classesPlain, w.classes // incompressible
}

// classReader reads what appendClasses writes.
type classReader struct {
	scratch fse.Scratch
	buf     []byte
}

// read fills misses and takes all of r.
func (d *classReader) read(misses []int64, r *reader) error {
	how := r.byte()
	coded := r.bytes()
	if r.bad {
		return errShort
	}
	classes, err := d.expand(how, coded, len(misses))
	if err != nil {
		return err
	}
	low := bitReader{b: r.b}
	for i, c := range classes {
		u, below := classBase(c)
		misses[i] = unzigzag(u | low.read(below))
	}
	return low.end()
}

// expand gives the n classes written in coded.
func (d *classReader) expand(how byte, coded []byte, n int) ([]byte, error) {
	switch {
	case how == classesPlain && len(coded) == n:
		return coded, nil
	case how == classesSame && len(coded) == 1:
		d.buf = d.buf[:0]
		for range n {
			d.buf = append(d.buf, coded[0])
		}
		return d.buf, nil
	case how == classesCoded:
		// The decoder checks its limit only between blocks of 256, and before
		// the end; what is over is refused below.
		d.scratch.DecompressLimit = n + 512
		out, err := fse.Decompress(coded, &d.scratch)
		if err != nil {
			return nil, fmt.Errorf("classes: %w", err)
		}
		if len(out) == n {
			return out, nil
		}
	}
	return nil, fmt.Errorf("classes are not %d", n)
}

// bitWriter collects bits, least significant first.
type bitWriter struct {
	b   []byte
	acc uint64
	n   int // bits in acc, below 32 between calls
}

// write appends the low n bits of u, n at most 61.
func (w *bitWriter) write(u uint64, n int) {
	if n > 32 {
		w.write(u, 32)
		u, n = u>>32, n-32
	}
	w.acc |= (u & (1<<n - 1)) << w.n
	if w.n += n; w.n >= 32 {
		w.b = binary.LittleEndian.AppendUint32(w.b, uint32(w.acc))
		w.acc >>= 32
		w.n -= 32
	}
}

// end gives what was written, the last byte filled with zeros.
func (w *bitWriter) end() []byte {
	for ; w.n > 0; w.n -= 8 {
		w.b = append(w.b, byte(w.acc))
		w.acc >>= 8
	}
	w.n, w.acc = 0, 0
	return w.b
}

// bitReader reads what bitWriter wrote; past the end it gives zeros.
type bitReader struct {
	b   []byte
	acc uint64
	n   int
	bad bool
}

func (r *bitReader) read(n int) uint64 {
	if n > 32 {
		low := r.read(32)
		return low | r.read(n-32)<<32
	}
	if r.n < n {
		r.fill()
		if r.n < n {
			r.bad = true
			return 0
		}
	}
	u := r.acc & (1<<n - 1)
	r.acc >>= n
	r.n -= n
	return u
}

// fill takes up to four bytes more; it is called with fewer than 32 bits left.
func (r *bitReader) fill() {
	if len(r.b) >= 4 {
		r.acc |= uint64(binary.LittleEndian.Uint32(r.b)) << r.n
		r.b, r.n = r.b[4:], r.n+32
		return
	}
	for _, c := range r.b {
		r.acc |= uint64(c) << r.n
		r.n += 8
	}
	r.b = nil
}

// end reports whether all bits were read but zeros that fill the last byte.
func (r *bitReader) end() error {
	switch {
	case r.bad:
		return errShort
	case len(r.b) != 0 || r.n >= 8 || r.acc != 0:
		return errors.New("bits left over")
	}
	return nil
}
