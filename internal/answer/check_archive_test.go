package answer_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/answer"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// checked is what a shelf's check went through.
var checked = answer.Checked{Runs: 2, Entries: 7, VerifierKey: "key", Keys: []trail.KeySince{
	{Key: "older"},
	{Key: "old", Entry: 3, At: time.Date(2031, 3, 2, 9, 3, 12, 7, time.UTC)},
	{Key: "key", Entry: 5, At: time.Date(2031, 4, 2, 9, 3, 12, 0, time.UTC), Word: "keeper wren"},
}}

func TestCheckOverTheWire(t *testing.T) {
	s := (&shelf{wrong: [][2]string{{"run x", "its record is gone"}, {"page 3", "it is damaged"}}}).add(heron(t), 2)
	var got [][2]string
	var last int64
	n, err := served(t, s, nil).Check(t.Context(),
		func(where, what string) { got = append(got, [2]string{where, what}) },
		func(done, total int64) { last = done })
	if err != nil || last != 3 {
		t.Errorf("%d done, %v", last, err)
	}
	if diff := cmp.Diff(checked, n); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(s.wrong, got); diff != "" {
		t.Error(diff)
	}
	// A finding that got lost on the way, and a check that does not end, are told of.
	c := served(t, s, func(m any) {
		if m, ok := m.(*pb.CheckArchiveResponse); ok && m.GetFinding() != nil && m.GetFinding().Where == "page 3" {
			m.Message = nil
		}
	})
	if _, err := c.Check(t.Context(), func(string, string) {}, nil); err == nil {
		t.Error("a lost finding is not noticed")
	}
	c = served(t, s, func(m any) {
		if m, ok := m.(*pb.CheckArchiveResponse); ok && m.GetSummary() != nil {
			m.Message = nil
		}
	})
	if _, err := c.Check(t.Context(), func(string, string) {}, nil); err == nil {
		t.Error("a check without its end is taken for whole")
	}
	s.stopped = context.Canceled
	if _, err := served(t, s, nil).Check(t.Context(), func(string, string) {}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

func TestBackupOverTheWire(t *testing.T) {
	s := &shelf{copy: bytes.Repeat([]byte("dome"), 100_000)}
	var got bytes.Buffer
	begin := func(size int64, key string) (io.Writer, error) {
		if size != int64(len(s.copy)) || key != "key" {
			t.Errorf("%d bytes, key %q", size, key)
		}
		return &got, nil
	}
	if err := served(t, s, nil).Backup(t.Context(), begin); err != nil || !bytes.Equal(got.Bytes(), s.copy) {
		t.Errorf("%d bytes, %v", got.Len(), err)
	}
	full := errors.New("the disk is full")
	if err := served(t, s, nil).Backup(t.Context(), func(int64, string) (io.Writer, error) { return nil, full }); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
	c := served(t, s, func(m any) {
		if m, ok := m.(*pb.BackupResponse); ok && len(m.GetData()) > 0 {
			m.Message = &pb.BackupResponse_Data{Data: m.GetData()[1:]}
		}
	})
	if err := c.Backup(t.Context(), begin); err == nil {
		t.Error("a copy that lacks bytes is taken for whole")
	}
	broken := &shelf{copy: s.copy, stopped: errors.New("the collector's disk is gone")}
	if err := served(t, broken, nil).Backup(t.Context(), begin); err == nil {
		t.Error("a copy that was broken off is taken for whole")
	}
}
