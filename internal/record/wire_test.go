package record_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

func drawValue(t *rapid.T) rig.Value {
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		return rig.TextOf(rapid.String().Draw(t, "text"))
	case 1:
		return rig.NumberOf(rapid.Float64().Draw(t, "number"))
	case 2:
		return rig.TruthOf(rapid.Bool().Draw(t, "truth"))
	}
	return rig.Value{}
}

func drawJudgement(t *rapid.T) drift.Judgement {
	j := drift.Judgement{Standing: drift.Careful, MarkRun: rapid.String().Draw(t, "mark")}
	if rapid.Bool().Draw(t, "judged") {
		j.At = time.Unix(0, rapid.Int64Range(1, math.MaxInt64).Draw(t, "at")).UTC()
	}
	weights := []rig.Weight{rig.Note, rig.Caution, rig.Void}
	for range rapid.IntRange(0, 4).Draw(t, "flags") {
		j.Flags = append(j.Flags, drift.Flag{
			Kind: drift.Moved, Fact: rig.Key(rapid.String().Draw(t, "fact")), Expected: drawValue(t), Seen: drawValue(t), Unit: rig.MHz,
			Weight: rapid.SampledFrom(weights).Draw(t, "weight"), Evidence: rapid.String().Draw(t, "evidence"),
			WeightBefore: rapid.SampledFrom(append(weights, 0)).Draw(t, "before"),
		})
	}
	return j
}

func TestJudgementsTravel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		j := drawJudgement(t)
		b, err := proto.Marshal(record.JudgementProto(j))
		if err != nil {
			t.Fatal(err)
		}
		var m pb.Judgement
		if err := proto.Unmarshal(b, &m); err != nil {
			t.Fatal(err)
		}
		got, err := record.JudgementOf(&m)
		if d := cmp.Diff(j, got, same); err != nil || d != "" {
			t.Fatal(err, d)
		}
	})
	for _, m := range []*pb.Flag{{}, {Weight: "heavy"}, {Weight: "note", WeightBefore: "heavy"}} {
		if _, err := record.JudgementOf(&pb.Judgement{Flags: []*pb.Flag{m}}); err == nil {
			t.Errorf("%v is taken", m)
		}
	}
}

func TestReceiptsTravel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := trail.Receipt{Index: rapid.Int64().Draw(t, "index"), Size: rapid.Int64().Draw(t, "size"),
			Leaf: rapid.SliceOfN(rapid.Byte(), 1, 50).Draw(t, "leaf"), Head: []byte(rapid.StringN(1, 50, -1).Draw(t, "head"))}
		copy(r.RecordSHA256[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "sum"))
		for range rapid.IntRange(0, 20).Draw(t, "proof") {
			r.Proof = append(r.Proof, trail.Hash(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hash")))
		}
		m := record.ReceiptProto(r)
		got, err := record.ReceiptOf(m)
		if d := cmp.Diff(r, got); err != nil || d != "" {
			t.Fatal(err, d)
		}
		m.Proof = append(m.Proof, make([]byte, 31))
		if _, err := record.ReceiptOf(m); err == nil {
			t.Fatal("a hash of 31 bytes is taken")
		}
	})
	for _, m := range []*pb.Receipt{nil, {}, {RecordSha256: make([]byte, 33)}} {
		if _, err := record.ReceiptOf(m); err == nil {
			t.Errorf("%v is taken", m)
		}
	}
}
