package deliver_test

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// TestSeen sends what was seen and gets the proof between it and the receipt,
// the smaller tree first.
func TestSeen(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	run := rig(t).Finish(labtest.Shape{Plain: true})
	for seen, want := range map[int64][]trail.Hash{0: nil, 2: {{2, 4}}, 4: {{4, 4}}, 9: {{4, 9}}} {
		reply, err := deliver.Send(context.Background(), l.conn, run.Signed, run.Parts(), deliver.Seen(seen))
		if err != nil {
			t.Fatal(err)
		}
		if r := reply.Receipt; r.SeenSize != seen || !cmp.Equal(r.Consistency, want) {
			t.Errorf("seen %d: from %d by %v, want %v", seen, r.SeenSize, r.Consistency, want)
		}
	}
	for _, seen := range []int64{-1, trail.MaxSize + 1} {
		if _, err := deliver.Send(context.Background(), l.conn, run.Signed, run.Parts(), deliver.Seen(seen)); !errors.Is(err, deliver.ErrRefused) {
			t.Errorf("seen %d: %v, want ErrRefused", seen, err)
		}
	}
}

func TestAskHead(t *testing.T) {
	l := newLab(t, deliver.DefaultLimits)
	ctx := context.Background()
	l.instead = []byte("other")
	x, err := deliver.AskHead(ctx, l.conn, []byte("a"), []byte("bcd"))
	want := deliver.Extended{VerifierKey: "key", Head: []byte("head"), Consistency: [][]trail.Hash{{{1}}, {{3}}}, Instead: [][]byte{l.instead, l.instead}}
	if err != nil || !cmp.Equal(x, want) {
		t.Errorf("%+v, %v; want %+v", x, err, want)
	}
	for name, seen := range map[string][][]byte{
		"five heads": make([][]byte, 5), "a large head": {bytes.Repeat([]byte("x"), 9<<10)},
	} {
		if _, err := deliver.AskHead(ctx, l.conn, seen...); !errors.Is(err, deliver.ErrRefused) {
			t.Errorf("%s: %v, want ErrRefused", name, err)
		}
	}
	l.head = bytes.Repeat([]byte("x"), 9<<10)
	if _, err := deliver.AskHead(ctx, l.conn); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("a large head: %v, want ErrUnreachable", err)
	}
	l.head, l.instead = []byte("head"), bytes.Repeat([]byte("x"), 9<<10)
	if _, err := deliver.AskHead(ctx, l.conn, []byte("a"), []byte("bcd")); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("a large head instead: %v, want ErrUnreachable", err)
	}
	l.fail = errors.New("the disk is gone")
	if _, err := deliver.AskHead(ctx, l.conn); !errors.Is(err, deliver.ErrUnreachable) {
		t.Errorf("a failing collector: %v, want ErrUnreachable", err)
	}
}
