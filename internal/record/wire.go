package record

import (
	"fmt"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// JudgementProto converts a judgement for receipts of delivery and for answers.
func JudgementProto(j drift.Judgement) *pb.Judgement {
	m := &pb.Judgement{Standing: string(j.Standing), MarkRun: j.MarkRun}
	if !j.At.IsZero() {
		m.JudgedUnixNano = j.At.UnixNano()
	}
	for _, f := range j.Flags {
		p := &pb.Flag{
			Kind: string(f.Kind), Fact: string(f.Fact), Expected: ReadingProto(f.Expected), Seen: ReadingProto(f.Seen),
			Unit: string(f.Unit), Weight: f.Weight.String(), Evidence: f.Evidence,
		}
		if f.WeightBefore != 0 {
			p.WeightBefore = f.WeightBefore.String()
		}
		m.Flags = append(m.Flags, p)
	}
	return m
}

// JudgementOf is the inverse of JudgementProto.
func JudgementOf(m *pb.Judgement) (drift.Judgement, error) {
	j := drift.Judgement{Standing: drift.Standing(m.GetStanding()), MarkRun: m.GetMarkRun(), At: unix(m.GetJudgedUnixNano())}
	for _, p := range m.GetFlags() {
		w, err := rig.ParseWeight(p.GetWeight())
		if err != nil {
			return drift.Judgement{}, fmt.Errorf("decode flag on %s: %w", p.GetFact(), err)
		}
		f := drift.Flag{
			Kind: drift.Kind(p.GetKind()), Fact: rig.Key(p.GetFact()), Expected: ReadingOf(p.GetExpected()), Seen: ReadingOf(p.GetSeen()),
			Unit: rig.Unit(p.GetUnit()), Weight: w, Evidence: p.GetEvidence(),
		}
		if b := p.GetWeightBefore(); b != "" {
			if f.WeightBefore, err = rig.ParseWeight(b); err != nil {
				return drift.Judgement{}, fmt.Errorf("decode flag on %s: %w", p.GetFact(), err)
			}
		}
		j.Flags = append(j.Flags, f)
	}
	return j, nil
}

// ReadingProto converts a value of a flag or of a fact that moved.
func ReadingProto(v rig.Value) *pb.Reading {
	m := &pb.Reading{}
	switch v.Kind() {
	case rig.Text:
		s, _ := v.Text()
		m.Value = &pb.Reading_Text{Text: s}
	case rig.Number:
		n, _ := v.Number()
		m.Value = &pb.Reading_Number{Number: n}
	case rig.Truth:
		b, _ := v.Truth()
		m.Value = &pb.Reading_Truth{Truth: b}
	}
	return m
}

// ReadingOf is the inverse of ReadingProto.
func ReadingOf(m *pb.Reading) rig.Value {
	switch v := m.GetValue().(type) {
	case *pb.Reading_Text:
		return rig.TextOf(v.Text)
	case *pb.Reading_Number:
		return rig.NumberOf(v.Number)
	case *pb.Reading_Truth:
		return rig.TruthOf(v.Truth)
	}
	return rig.Value{}
}

// ReceiptProto converts a receipt.
func ReceiptProto(r trail.Receipt) *pb.Receipt {
	return &pb.Receipt{
		RecordSha256: r.RecordSHA256[:], Leaf: r.Leaf, Index: r.Index, Size: r.Size, Proof: HashesProto(r.Proof), Head: r.Head,
		SeenSize: r.SeenSize, Consistency: HashesProto(r.Consistency),
	}
}

// HashesProto converts a proof.
func HashesProto(hashes []trail.Hash) (out [][]byte) {
	for _, h := range hashes {
		out = append(out, h[:])
	}
	return out
}

// HashesOf is the inverse of HashesProto.
func HashesOf(m [][]byte) (out []trail.Hash, err error) {
	for i, h := range m {
		if len(h) != len(trail.Hash{}) {
			return nil, fmt.Errorf("hash %d of the proof has %d bytes", i, len(h))
		}
		out = append(out, trail.Hash(h))
	}
	return out, nil
}

// ReceiptOf is the inverse of ReceiptProto. It checks shapes only; what the
// receipt proves is checked by its own method Check.
func ReceiptOf(m *pb.Receipt) (trail.Receipt, error) {
	r := trail.Receipt{Leaf: m.GetLeaf(), Index: m.GetIndex(), Size: m.GetSize(), Head: m.GetHead(), SeenSize: m.GetSeenSize()}
	if len(m.GetRecordSha256()) != len(r.RecordSHA256) {
		return r, fmt.Errorf("decode receipt: no SHA-256 of the record")
	}
	r.RecordSHA256 = trail.Digest(m.GetRecordSha256())
	var err error
	if r.Proof, err = HashesOf(m.GetProof()); err == nil {
		r.Consistency, err = HashesOf(m.GetConsistency())
	}
	if err != nil {
		return r, fmt.Errorf("decode receipt: %w", err)
	}
	return r, nil
}
