package archive

import (
	"encoding/binary"
	"math"
	"time"
)

// numberOf is the inverse of number; -1 for what is none.
func numberOf(b []byte) int64 {
	if len(b) != 8 {
		return -1
	}
	return int64(binary.BigEndian.Uint64(b))
}

func number(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }

// timeKey sorts runs by start, then id.
func timeKey(t time.Time, id string) []byte {
	return append(stamp(t), id...)
}

// stamp gives a time outside what 64 bits of nanoseconds hold, such as the
// bound of a query, the place of the nearest that they do.
func stamp(t time.Time) []byte {
	n := t.UnixNano()
	switch {
	case t.Before(time.Unix(0, math.MinInt64)):
		n = math.MinInt64
	case t.After(time.Unix(0, math.MaxInt64)):
		n = math.MaxInt64
	}
	return number(n ^ math.MinInt64)
}

func unstamp(b []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(b))^math.MinInt64).UTC()
}

// under puts a time key below index values.
func under(at []byte, values ...string) []byte {
	var b []byte
	for _, v := range values {
		b = append(append(b, v...), 0)
	}
	return append(b, at...)
}

// row is one entry of an index bucket.
type row struct{ bucket, key, value []byte }

// rows gives the entries by which a run is listed.
func (l Labels) rows(at []byte) []row {
	v := l.row()
	return []row{
		{bByTime, at, v},
		{bByRig, under(at, l.Rig), v},
		{bByWorkload, under(at, l.Workload), v},
		{bByBoth, under(at, l.Workload, l.Rig), v},
		{bBySetup, under(at, l.Setup), v},
	}
}

func tailKey(id string) []byte { return under([]byte(id), id[max(0, len(id)-8):]) }
