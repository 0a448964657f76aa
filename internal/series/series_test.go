package series

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math"
	"runtime"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestBytes pins the byte form: a series outlives the program that wrote it.
func TestBytes(t *testing.T) {
	for _, c := range []struct {
		name string
		v    []int64
		want string
	}{
		{"none", nil, "777301" + "00"},
		{"all equal", []int64{-3, -3}, "777301" + "02" + "05" + "00"},
		{"doc", []int64{16_667_000, 16_667_000, 50_001_000}, "777301" + "03" + "f0c5f20f" + "f0c5f20f" + "01" + "08" + "0000020003010100"},
	} {
		b := Encode(nil, c.v)
		body := b[:len(b)-sumLen]
		if got := hex.EncodeToString(body); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// resum gives body a checksum that fits v, as one would who forges a series.
func resum(body []byte, v []int64) []byte {
	sum := crc32.Update(0, castagnoli, body)
	for _, x := range v {
		sum = crc32.Update(sum, castagnoli, binary.LittleEndian.AppendUint64(nil, uint64(x)))
	}
	return binary.LittleEndian.AppendUint32(slices.Clone(body), sum)
}

func roundTrip(t interface{ Fatalf(string, ...any) }, v []int64) {
	prefix := []byte("before")
	b := Encode(prefix, v)
	if !bytes.HasPrefix(b, prefix) {
		t.Fatalf("Encode overwrites what it appends to")
	}
	got, err := Decode([]int64{7}, b[len(prefix):])
	if err != nil || got[0] != 7 || !slices.Equal(got[1:], v) {
		t.Fatalf("%d values %v: come back as %d, %v", len(v), head(v), len(got)-1, err)
	}
}

func head(v []int64) []int64 { return v[:min(len(v), 8)] }

func TestEdges(t *testing.T) {
	const lo, hi = math.MinInt64, math.MaxInt64
	long := make([]int64, 2*chunkLen+1)
	for i := range long {
		long[i] = int64(uint64(i) * 0x9e3779b97f4a7c15) // all over int64
	}
	frames, _ := frameTimes(1, 2*chunkLen+17, 1000, false)
	for name, v := range map[string][]int64{
		"none": {}, "one": {5}, "extremes": {lo, hi, lo, hi, 0, -1, 1, hi, lo},
		"one extreme": {lo}, "scale 2^64-1": {lo, hi, hi, lo}, "scale 2^63": {lo, 0, lo},
		"all over": long, "chunks": frames, "one chunk": frames[:chunkLen], "a chunk and one": frames[:chunkLen+1],
		"negative grid": {-3000, -1000, -9000}, "zeros": make([]int64, chunkLen+5),
		"extremes among frames": append(slices.Clone(frames[:5000]), lo, hi, lo),
		"ramp":                  ramp(5000),
	} {
		t.Run(name, func(t *testing.T) { roundTrip(t, v) })
	}
}

func ramp(n int) []int64 {
	v := make([]int64, n)
	for i := range v {
		v[i] = math.MaxInt64 - int64(i)*int64(i)*1e9
	}
	return v
}

// anySeries draws series of many characters, from noise to steps to extremes.
func anySeries(t *rapid.T) []int64 {
	n := rapid.SampledFrom([]int{0, 1, 2, 3, 63, 64, 300, 3000}).Draw(t, "count")
	if rapid.Bool().Draw(t, "wild") {
		return rapid.SliceOfN(rapid.Int64(), 0, min(n, 300)).Draw(t, "values")
	}
	base, scale := rapid.Int64().Draw(t, "base"), rapid.Int64().Draw(t, "scale")
	step := rapid.Int64Range(0, 1<<rapid.IntRange(0, 62).Draw(t, "log")).Draw(t, "step")
	seed := rapid.Uint64().Draw(t, "seed")
	v, x := make([]int64, n), base
	for i := range v {
		seed = seed*6364136223846793005 + 1442695040888963407
		if step > 0 && seed>>60 < 9 {
			x += (int64(seed>>1)%(2*step+1) - step) * scale
		}
		v[i] = x
	}
	return v
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { roundTrip(t, anySeries(t)) })
}

// TestClassRoundTrip holds every class against its definition.
func TestClassRoundTrip(t *testing.T) {
	for c := range 256 {
		base, below := classBase(byte(c))
		for _, u := range []uint64{base, base | (1<<below - 1)} {
			if got, b := class(u); int(got) != c || b != below {
				t.Errorf("class %d of %d to %d bits: %d gives class %d, %d bits", c, base, below, u, got, b)
			}
		}
		if c < 255 {
			if next, _ := classBase(byte(c + 1)); next != base+1<<below {
				t.Errorf("class %d ends at %d, the next begins at %d", c, base+1<<below, next)
			}
		}
	}
}

// TestEveryByteCounts alters every byte of encodings by every method to several
// values, and cuts and lengthens them: all must be refused.
func TestEveryByteCounts(t *testing.T) {
	frames, _ := frameTimes(3, 700, 1000, false)
	tried, found := 0, 0
	for name, v := range map[string][]int64{
		"none": {}, "equal": {9, 9, 9}, "few": {1, 5, 2}, "frames": frames,
		"vsync": vsyncTimes(1, 2000, 1e9/60), "clock": signals(1, 900)[0].v, "extremes": {math.MinInt64, math.MaxInt64, 0},
	} {
		b := Encode(nil, v)
		for i, old := range b {
			for _, with := range []byte{old ^ 1, old ^ 0x80, ^old, 0, 0xff} {
				if with == old {
					continue
				}
				b[i] = with
				tried++
				if got, err := DecodeMax(nil, b, 4000); err == nil {
					t.Errorf("%s: byte %d of %d altered: decodes to %d values", name, i, len(b), len(got))
				} else {
					found++
				}
			}
			b[i] = old
			if _, err := Decode(nil, b[:i]); err == nil {
				t.Errorf("%s: cut to %d of %d bytes: decodes", name, i, len(b))
			}
		}
		if _, err := Decode(nil, append(slices.Clone(b), 0)); err == nil {
			t.Errorf("%s: a byte more: decodes", name)
		}
	}
	t.Logf("refused %d of %d altered series", found, tried)
}

func TestErrors(t *testing.T) {
	three := Encode(nil, []int64{1, 2, 4})
	altered := slices.Clone(three)
	altered[len(altered)-1] ^= 1
	for _, c := range []struct {
		name string
		b    []byte
		most int
		want error
	}{
		{"empty", nil, 10, ErrMalformed},
		{"another format", []byte("PK\x03\x04 and so on"), 10, ErrMalformed},
		{"another version", append([]byte("ws\x02"), three[3:]...), 10, ErrMalformed},
		{"checksum", altered, 10, ErrChecksum},
		{"more than asked", three, 2, ErrTooMany},
		{"negative limit", Encode(nil, nil), -1, ErrTooMany},
		{"count beyond MaxCount", resum([]byte("ws\x01\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01\x02\x01"), nil), MaxCount, ErrTooMany},
		{"count in a longer form", resum([]byte("ws\x01\x80\x00"), nil), 10, ErrMalformed},
		{"count only", resum([]byte("ws\x01\x05"), nil), 10, ErrMalformed},
		{"unknown method", resum([]byte("ws\x01\x02\x00\x01\x07\x00"), nil), 10, ErrMalformed},
		{"chunk missing", resum([]byte("ws\x01\x02\x00\x01"), nil), 10, ErrMalformed},
		{"order too high", resum([]byte("ws\x01\x01\x00\x01\x01\x03\x21\x00\x00"), nil), 10, ErrMalformed},
	} {
		got, err := DecodeMax([]int64{7}, c.b, c.most)
		if !errors.Is(err, c.want) || !slices.Equal(got, []int64{7}) {
			t.Errorf("%s: %v, %v; want what was there and %v", c.name, got, err, c.want)
		}
	}
}

// TestStrayPaddingBitIsRefused sets a padding bit and forges the checksum.
func TestStrayPaddingBitIsRefused(t *testing.T) {
	v := []int64{0, 21, 99} // misses above 15 leave low bits
	b := Encode(nil, v)
	body := slices.Clone(b[:len(b)-sumLen])
	if _, err := Decode(nil, resum(body, v)); err != nil {
		t.Fatal(err)
	}
	body[len(body)-1] |= 0x80
	if got, err := Decode(nil, resum(body, v)); !errors.Is(err, ErrMalformed) {
		t.Errorf("decodes to %v, %v; want ErrMalformed", got, err)
	}
}

// TestHeaderAloneAllocatesLittle claims the most values over too few bytes: the
// memory must follow what is decoded, not what is claimed.
func TestHeaderAloneAllocatesLittle(t *testing.T) {
	body := binary.AppendUvarint([]byte(magic), MaxCount)
	body = append(body, 0, 1) // low, scale
	b := resum(append(body, Encode(nil, []int64{1, 2, 4})...), nil)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	got, err := Decode(nil, b)
	runtime.ReadMemStats(&after)
	if bytes := after.TotalAlloc - before.TotalAlloc; err == nil || got != nil || bytes > 1<<20 {
		t.Errorf("%d values, %v, and %d bytes allocated for an input of %d", len(got), err, bytes, len(b))
	}
}

// FuzzDecode: what decodes encodes again to something that decodes to the same.
func FuzzDecode(f *testing.F) {
	frames, _ := frameTimes(3, 700, 1000, false)
	for _, v := range [][]int64{{}, {9, 9, 9}, {1, 5, 2}, frames, vsyncTimes(1, 2000, 1e9/60), signals(1, 900)[0].v,
		{math.MinInt64, math.MaxInt64, 0}} {
		b := Encode(nil, v)
		f.Add(b[:len(b)-sumLen])
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		got, err := DecodeMax(nil, body, chunkLen+64)
		if err != nil && got != nil {
			t.Fatalf("refusal gives %d values", len(got))
		}
		if !bytes.HasPrefix(body, []byte(magic)) {
			return
		}
		// Get past the checksum: decode without it, then forge it.
		r := reader{b: body[len(magic):]}
		n := r.uvarint()
		if r.bad || n > chunkLen+64 {
			return
		}
		v, err := r.values(nil, int(n))
		if err != nil || len(r.b) != 0 {
			return
		}
		if got, err := Decode(nil, resum(body, v)); err != nil || !slices.Equal(got, v) {
			t.Fatalf("forged series of %d values: %d, %v", len(v), len(got), err)
		}
		roundTrip(t, v)
	})
}

// FuzzRoundTrip: any values come back.
func FuzzRoundTrip(f *testing.F) {
	f.Add([]byte("\x00\x00\x00\x00\x00\x00\x00\x80\xff\xff\xff\xff\xff\xff\xff\x7f"), uint8(0))
	f.Add(bytes.Repeat([]byte{1, 2, 3, 4, 5, 6, 7, 8}, 40), uint8(3))
	f.Fuzz(func(t *testing.T, b []byte, width uint8) {
		// Values of one width make noise on a grid; of eight bytes, anything.
		w := int(width%8) + 1
		var v []int64
		for c := range slices.Chunk(b, w) {
			var x [8]byte
			copy(x[8-w:], c)
			v = append(v, int64(binary.LittleEndian.Uint64(x[:]))>>(8*(8-w)))
		}
		roundTrip(t, v)
	})
}
