package series

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// maxPlain bounds the variable-length integers of one chunk.
const maxPlain = chunkLen * binary.MaxVarintLen64

// Two coders are enough for all goroutines and keep an idle process small.
var zstdEncoder = sync.OnceValue(func() *zstd.Encoder {
	w, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBetterCompression), zstd.WithEncoderConcurrency(2),
		zstd.WithEncoderCRC(false), zstd.WithWindowSize(1<<19), zstd.WithLowerEncoderMem(true))
	if err != nil {
		panic("series: constant zstd options refused: " + err.Error())
	}
	return w
})

var zstdDecoder = sync.OnceValue(func() *zstd.Decoder {
	r, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(maxPlain),
		zstd.WithDecoderMaxWindow(1<<20), zstd.WithDecoderLowmem(true))
	if err != nil {
		panic("series: constant zstd options refused: " + err.Error())
	}
	return r
})

// repeated gives the payload of the repeated method.
func (e *encoder) repeated(steps []int64) []byte {
	e.plain = e.plain[:0]
	var last int64
	for _, x := range steps {
		e.plain = binary.AppendUvarint(e.plain, zigzag(x-last))
		last = x
	}
	e.other = zstdEncoder().EncodeAll(e.plain, e.other[:0])
	return e.other
}

// repeated fills steps from a payload of the repeated method.
func (d *decoder) repeated(payload []byte) error {
	plain, err := zstdDecoder().DecodeAll(payload, d.plain[:0])
	if err != nil {
		return fmt.Errorf("zstd: %w", err)
	}
	d.plain = plain
	r := reader{b: plain}
	var last int64
	for i := range d.steps {
		last += unzigzag(r.uvarint())
		d.steps[i] = last
	}
	if r.bad {
		return errShort
	}
	if len(r.b) != 0 {
		return errors.New("bytes left over")
	}
	return nil
}
