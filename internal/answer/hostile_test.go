package answer_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"witnessmark/internal/answer"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/timing"
	pb "witnessmark/proto/witnessmark/v1"
)

type resultOf = timing.Result

func unreachable(t *testing.T) answer.Client {
	conn, err := grpc.NewClient("127.0.0.1:1", grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return answer.NewClient(conn).At("127.0.0.1:1")
}

// A collector that lies about a run is not believed, whatever it changes.
func TestShowBelievesOnlyTheRig(t *testing.T) {
	g := heron(t)
	s := &shelf{}
	s.runs = append(s.runs, logged(g), logged(g))
	run, other := s.runs[0], s.runs[1]
	forger := labtest.Key(labtest.Seeded(99))
	detail := func(f func(*pb.RunDetail)) func(any) {
		return func(m any) {
			if p, ok := m.(*pb.ShowRunResponse); ok && p.GetDetail() != nil {
				d := p.GetDetail()
				d.Signature = bytes.Clone(d.Signature)
				f(d)
			}
		}
	}
	bytesOf := func(f func([]byte) []byte) func(any) {
		return func(m any) {
			if p, ok := m.(*pb.ShowRunResponse); ok && p.GetRecord() != nil {
				p.Message = &pb.ShowRunResponse_Record{Record: f(bytes.Clone(p.GetRecord()))}
			}
		}
	}
	swap := detail(func(d *pb.RunDetail) { // all of the other run, which is well signed
		w, _ := s.Show(t.Context(), other.ID)
		sum := w.Signed.SHA256()
		d.Summary.Id, d.Summary.RecordSha256, d.Summary.Receipt.RecordSha256 = other.ID, sum[:], sum[:]
		d.PublicKey, d.Signature, d.RecordSize = w.Signed.PublicKey, w.Signed.Signature, uint64(len(w.Signed.Bytes))
	})
	for _, c := range []struct {
		name string
		lie  func(any)
		want string
	}{
		{"a changed byte", bytesOf(func(b []byte) []byte { b[len(b)/2] ^= 1; return b }), "do not have the hash"},
		{"a missing byte", bytesOf(func(b []byte) []byte { return b[1:] }), "do not have the hash"},
		{"another hash", detail(func(d *pb.RunDetail) { d.Summary.RecordSha256[3] ^= 1 }), "do not have the hash"},
		{"no hash", detail(func(d *pb.RunDetail) { d.Summary.RecordSha256 = nil }), "no SHA-256 of the record"},
		{"a changed signature", detail(func(d *pb.RunDetail) { d.Signature[5] ^= 1 }), "signature does not belong"},
		{"no key", detail(func(d *pb.RunDetail) { d.PublicKey = nil }), "signature does not belong"},
		{"another key", detail(func(d *pb.RunDetail) { d.PublicKey = record.Sign(nil, forger).PublicKey }), "signature does not belong"},
		{"another run", func(m any) {
			swap(m)
			bytesOf(func([]byte) []byte { return other.Signed.Bytes })(m)
		}, "another run came"},
		{"another rig's name", detail(func(d *pb.RunDetail) { d.Summary.Rig = "plover" }), "summary is not of this record"},
		{"another setup", detail(func(d *pb.RunDetail) { d.Summary.Setup = "memory-tuned" }), "summary is not of this record"},
		{"another start", detail(func(d *pb.RunDetail) { d.Summary.StartedUnixNano++ }), "summary is not of this record"},
		{"played, and not said", detail(func(d *pb.RunDetail) { d.Summary.Played += "x" }), "summary is not of this record"},
		{"another configuration", detail(func(d *pb.RunDetail) { d.Summary.ConfigurationSha256[0] ^= 1 }), "summary is not of this record"},
		{"another run's receipt", detail(func(d *pb.RunDetail) { d.Summary.Receipt.RecordSha256[0] ^= 1 }), "receipt is not of this record"},
		{"no receipt", detail(func(d *pb.RunDetail) { d.Summary.Receipt = nil }), "no SHA-256"},
		{"no detail", func(m any) {
			if p, ok := m.(*pb.ShowRunResponse); ok {
				p.Message = nil
			}
		}, ""},
		{"more than announced", bytesOf(func(b []byte) []byte { return append(b, b...) }), "more than the"},
		{"a size beyond all bounds", func(m any) {
			detail(func(d *pb.RunDetail) { d.RecordSize = 1 << 60 })(m)
			bytesOf(func([]byte) []byte { return []byte("x") })(m)
		}, "do not have the hash"},
	} {
		client := served(t, s, c.lie)
		d, err := client.Show(t.Context(), run.ID)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if d.Signed.Bytes != nil || d.Summary.ID != "" {
			t.Errorf("%s: part of the answer is given with the error", c.name)
		}
		if fault.HintOf(err) == "" {
			t.Errorf("%s: no hint: %v", c.name, err)
		}
		if _, err := client.Attachment(t.Context(), run.ID, ""); err == nil {
			t.Errorf("%s: its timing log was given", c.name)
		}
	}
}

// Attachments are those that the rig signed for.
func TestAttachmentBelievesOnlyTheRig(t *testing.T) {
	s := &shelf{}
	s.runs = append(s.runs, logged(heron(t)))
	for name, lie := range map[string]func([]byte) []byte{
		"a changed byte": func(b []byte) []byte { b[0] ^= 1; return b },
		"a missing byte": func(b []byte) []byte { return b[1:] },
		"nothing":        func([]byte) []byte { return nil },
		"twice as much":  func(b []byte) []byte { return append(b, b...) },
	} {
		c := served(t, s, func(m any) {
			if p, ok := m.(*pb.ReadAttachmentResponse); ok {
				p.Data = lie(bytes.Clone(p.Data))
			}
		})
		if b, err := c.Attachment(t.Context(), s.runs[0].ID, ""); err == nil || b != nil {
			t.Errorf("%s: %d bytes, %v", name, len(b), err)
		}
	}
}

// A mark on another rig's run is no reference for this one.
func TestMarkBelievesOnlyTheRig(t *testing.T) {
	s := (&shelf{}).add(labtest.NewRig("plover", labtest.Rand(t)), 1)
	s.marks = []answer.Mark{{Rig: "heron", RunID: s.runs[0].ID}}
	c := served(t, s, nil)
	if m, _, err := c.Mark(t.Context(), "heron", ""); err == nil {
		t.Errorf("got %v", m)
	}
}

// A mark that was accepted on another run, or whose receipt is of another, is
// not taken for done.
func TestAcceptMarkHoldsTheAnswer(t *testing.T) {
	s := (&shelf{}).add(heron(t), 2)
	for name, lie := range map[string]func(*pb.AcceptMarkResponse){
		"another run":     func(m *pb.AcceptMarkResponse) { m.Mark.RunId = s.runs[1].ID },
		"another rig":     func(m *pb.AcceptMarkResponse) { m.Mark.Rig = "plover" },
		"another receipt": func(m *pb.AcceptMarkResponse) { m.Receipt.RecordSha256[0] ^= 1 },
		"no receipt":      func(m *pb.AcceptMarkResponse) { m.Receipt = nil },
		"nothing":         func(m *pb.AcceptMarkResponse) { m.Mark = nil },
	} {
		c := served(t, s, func(m any) {
			if m, ok := m.(*pb.AcceptMarkResponse); ok {
				lie(m)
			}
		})
		if m, _, err := c.AcceptMark(t.Context(), s.runs[0].ID, "operator", "checked"); err == nil {
			t.Errorf("%s: got %v", name, m)
		}
	}
}

// A listing with a damaged line is refused at that line, not skipped.
func TestRunsRefusesADamagedLine(t *testing.T) {
	s := (&shelf{}).add(heron(t), 3)
	c := served(t, s, func(m any) {
		if p, ok := m.(*pb.ListRunsResponse); ok {
			p.Runs[1] = &pb.RunSummary{Id: "x"}
		}
	})
	n := 0
	err := c.Runs(t.Context(), answer.Query{}, func(answer.Summary) error { n++; return nil })
	if err == nil || n != 1 || errors.Is(err, answer.ErrNotFound) {
		t.Errorf("%d runs, %v", n, err)
	}
}
