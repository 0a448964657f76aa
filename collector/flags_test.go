package main

import (
	"testing"

	"witnessmark/internal/rig"
)

func TestBelow(t *testing.T) {
	for _, c := range []struct {
		name string
		key  rig.Key
		want bool
	}{
		{"memory.speed", "memory.speed", true},
		{"memory", "memory.speed", true},
		{"memory.module", "memory.module[DIMM_A1].rank", true},
		{"memory.module[]", "memory.module[DIMM_A1].rank", true},
		{"memory.module[].rank", "memory.module[DIMM_A1].rank", true},
		{"memory.module[DIMM_A1]", "memory.module[DIMM_A1].rank", true},
		{"memory.module[DIMM_A2]", "memory.module[DIMM_A1].rank", false},
		{"memory.sp", "memory.speed", false},
		{"speed", "memory.speed", false},
		{"memory.speed.x", "memory.speed", false},
	} {
		if got := below(c.name, c.key); got != c.want {
			t.Errorf("below(%q, %q) = %v", c.name, c.key, got)
		}
	}
}
