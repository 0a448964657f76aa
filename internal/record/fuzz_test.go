package record_test

import (
	"bytes"
	"errors"
	"math"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/series"
	pb "witnessmark/proto/witnessmark/v1"
)

// FuzzDecode holds Decode to its word: what it takes has passed Check, can be
// encoded, and comes back the same.
func FuzzDecode(f *testing.F) {
	for seed := range uint64(8) {
		f.Add(labtest.NewRig("heron", labtest.Seeded(seed)).Finish(labtest.Shape{}).Signed.Bytes)
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<16 {
			t.Skip()
		}
		before := bytes.Clone(b)
		run, err := record.Decode(b)
		if !bytes.Equal(b, before) {
			t.Fatal("Decode writes to what it is given")
		}
		if err != nil {
			if run != nil || !strings.HasPrefix(err.Error(), "decode record: ") {
				t.Fatalf("%v with %v", run, err)
			}
			return
		}
		if err := run.Check(); err != nil {
			t.Fatalf("decoded, and yet: %v", err)
		}
		again, err := record.Encode(run)
		if err != nil {
			t.Fatal(err)
		}
		second, err := record.Decode(again)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(run, second, same); d != "" {
			t.Fatal(d)
		}
	})
}

// TestCutRecords tries every beginning of a record.
func TestCutRecords(t *testing.T) {
	b := good(t).Signed.Bytes
	for i := range b {
		record.Decode(b[:i]) // a whole field's end can make a shorter record; it must not panic
	}
	if _, err := record.Decode(b[:40]); err == nil {
		t.Error("the first 40 bytes are a record")
	}
}

// bomb is a record whose bytes claim far more than they are.
func bomb(t *testing.T, change func(*pb.Record)) []byte {
	var m pb.Record
	if err := proto.Unmarshal(good(t).Signed.Bytes, &m); err != nil {
		t.Fatal(err)
	}
	change(&m)
	b, err := proto.Marshal(&m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestBombs(t *testing.T) {
	const many = 1 << 21
	steady := series.Encode(nil, make([]int64, many))
	if len(steady) > 40 {
		t.Fatalf("a steady series takes %d bytes", len(steady))
	}
	for _, c := range []struct {
		name  string
		b     []byte
		bytes uint64 // most that Decode may allocate in all
	}{
		{"offsets without samples", bomb(t, func(m *pb.Record) {
			for range 500 {
				m.Signals = append(m.Signals, &pb.Signal{Key: "a", Offsets: steady, Samples: series.Encode(nil, nil)})
			}
		}), 256 << 20},
		{"empty facts", bomb(t, func(m *pb.Record) { m.Before.Facts = repeated(many, &pb.Fact{}) }), 1 << 20},
		{"empty remarks", bomb(t, func(m *pb.Record) { m.Remarks = make([]string, many) }), 1 << 20},
		{"empty gaps", bomb(t, func(m *pb.Record) { m.Signals = []*pb.Signal{{Key: "a", Gaps: repeated(many, &pb.Gap{})}} }), 1 << 20},
		{"huge claim", bomb(t, func(m *pb.Record) {
			m.Signals = []*pb.Signal{{Key: "a", Offsets: append([]byte("ws\x01\xff\xff\xff\xff\xff\xff\xff\xff\x7f\x00\x00"), make([]byte, 4)...)}}
		}), 1 << 20},
		{"huge attachment", bomb(t, func(m *pb.Record) { m.Attachments[0].Size = math.MaxUint64 }), 1 << 20},
	} {
		var was, is runtime.MemStats
		runtime.ReadMemStats(&was)
		_, err := record.Decode(c.b)
		runtime.ReadMemStats(&is)
		if err == nil {
			t.Errorf("%s: %d bytes are taken", c.name, len(c.b))
		}
		if got := is.TotalAlloc - was.TotalAlloc; got > c.bytes {
			t.Errorf("%s: %d bytes allocated for %d, before %v", c.name, got, len(c.b), err)
		}
	}
}

// TestSamplesAreBounded adds up over all signals, at both ends.
func TestSamplesAreBounded(t *testing.T) {
	b := bomb(t, func(m *pb.Record) {
		m.Signals = nil
		for range 10 {
			m.Signals = append(m.Signals, &pb.Signal{Key: "a", Offsets: series.Encode(nil, make([]int64, 100)), Samples: series.Encode(nil, make([]int64, 100))})
		}
	})
	if _, err := record.DecodeSome(b, 1000); err != nil {
		t.Error(err)
	}
	if _, err := record.DecodeSome(b, 999); !errors.Is(err, series.ErrTooMany) {
		t.Error(err)
	}
}

func repeated[T any](n int, v T) []T {
	out := make([]T, n)
	for i := range out {
		out[i] = v
	}
	return out
}
