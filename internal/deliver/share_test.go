package deliver_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"witnessmark/internal/deliver"
	"witnessmark/internal/trust"
)

func rigOf(n int) trust.Member { return trust.Member{Role: trust.Rig, Name: fmt.Sprint("rig ", n)} }

// fill has rigs take all that they are given, chunk by chunk in turn.
func fill(h *deliver.Held, l deliver.Limits, rigs int) (each []int64) {
	each = make([]int64, rigs)
	for some := true; some; {
		some = false
		for i := range each {
			if h.Take(rigOf(i), deliver.ChunkSize, l) {
				each[i], some = each[i]+deliver.ChunkSize, true
			}
		}
	}
	return each
}

// TestShares has rigs hold as much as they can, and another one come.
func TestShares(t *testing.T) {
	for rigs, least := range map[int]int64{1: 100 << 20, 2: 60 << 20, 8: 16 << 20, 50: 2 << 20} {
		var h deliver.Held
		fill(&h, deliver.DefaultLimits, rigs)
		if got := fillBy(&h, deliver.DefaultLimits, rigOf(rigs)); got < least {
			t.Errorf("%d rigs hold all but %d bytes", rigs, got)
		}
	}
}

func fillBy(h *deliver.Held, l deliver.Limits, who trust.Member) (n int64) {
	for h.Take(who, deliver.ChunkSize, l) {
		n += deliver.ChunkSize
	}
	return n
}

// TestLargestDeliveryPasses: whatever the limits that a file may set, what one
// delivery may take is held when nobody else delivers, and never more than all.
func TestLargestDeliveryPasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := deliver.Limits{Record: rapid.Int64Range(1<<20, 1<<40).Draw(t, "record"), Parts: rapid.Int64Range(1<<20, 1<<40).Draw(t, "parts")}
		l.InFlight = l.Record + l.Parts + rapid.Int64Range(0, 1<<41).Draw(t, "more")
		var h deliver.Held
		if !h.Take(rigOf(0), l.Record+l.Parts, l) {
			t.Fatal("it is refused, and would be for ever")
		}
		if h.Take(rigOf(1), l.InFlight-l.Record-l.Parts+1, l) {
			t.Fatal("more is held than may be")
		}
		h.Give(rigOf(0), l.Record+l.Parts)
		if !h.Take(rigOf(1), l.Record+l.Parts, l) {
			t.Fatal("what was given back is not free")
		}
	})
}
