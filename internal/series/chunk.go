package series

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
)

// The methods of a chunk.
const (
	methodPredicted = 1
	methodRepeated  = 2
)

// A chunk of more than twice probeLen steps is judged by its middle: which shape
// of prediction suits it, and whether it repeats itself enough for the slower
// method to be tried on all of it.
const probeLen = 4096

var errShort = errors.New("ends early")

// encoder holds buffers that are used from chunk to chunk.
type encoder struct {
	predictor
	classWriter
	bytes []byte // payload of the predicted method
	other []byte // payload of the repeated method
	plain []byte
}

var encoders = sync.Pool{New: func() any { return new(encoder) }}

// appendChunk writes steps by whichever method is smaller, the repeated one only
// if repeats is set.
func (e *encoder) appendChunk(dst []byte, steps []int64, repeats bool) []byte {
	list := shapes[:]
	if len(steps) > 2*probeLen {
		start := (len(steps) - probeLen) / 2
		middle := steps[start : start+probeLen]
		size := len(e.predicted(middle, list))
		list, repeats = list[e.chosen:e.chosen+1], repeats && len(e.repeated(middle)) < size
	}
	method, payload := byte(methodPredicted), e.predicted(steps, list)
	if repeats {
		if other := e.repeated(steps); len(other) < len(payload) {
			method, payload = methodRepeated, other
		}
	}
	dst = append(dst, method)
	dst = binary.AppendUvarint(dst, uint64(len(payload)))
	return append(dst, payload...)
}

// decoder holds buffers that are used from chunk to chunk.
type decoder struct {
	steps   []int64
	history []int64
	classes classReader
	plain   []byte
}

var decoders = sync.Pool{New: func() any { return new(decoder) }}

// chunk reads the next n steps; they are valid until the next call.
func (d *decoder) chunk(r *reader, n int) ([]int64, error) {
	method := r.byte()
	payload := r.bytes()
	if r.bad {
		return nil, errShort
	}
	if cap(d.steps) < n {
		d.steps = make([]int64, n)
	}
	d.steps = d.steps[:n]
	switch method {
	case methodPredicted:
		return d.steps, d.predicted(payload)
	case methodRepeated:
		return d.steps, d.repeated(payload)
	}
	return nil, fmt.Errorf("unknown method %d", method)
}
