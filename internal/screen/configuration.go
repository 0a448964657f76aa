package screen

import (
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/rig"
)

// brief lists the facts that a reader of one result asks for first, by line.
var brief = []struct {
	name  string
	facts []rig.Key
}{
	{"machine", []rig.Key{"machine.maker", "machine.model", "machine.virtual"}},
	{"processor", []rig.Key{"cpu.model", "cpu.sockets", "cpu.cores", "cpu.threads", "cpu.microcode"}},
	{"clocks", []rig.Key{"cpu.governor", "cpu.turbo", "cpu.clock_max", "cpu.clock_limit"}},
	{"memory", []rig.Key{"memory.modules", "memory.size", "memory.type", "memory.speed", "memory.rated_speed", "memory.channels_populated"}},
	{"board", []rig.Key{"board.maker", "board.model", "firmware.version", "firmware.date"}},
	{"graphics", []rig.Key{"graphics[].id", "graphics[].driver", "graphics[].driver_version"}},
	{"system", []rig.Key{"os.name", "os.version", "kernel.release", "kernel.clocksource", "kernel.mitigations"}},
	{"load before", []rig.Key{"load.idle_before"}},
}

// configuration prints the brief facts of the snapshot before the run, unread
// ones with their reason, and how many more there are.
func (p *printer) configuration(r answer.Run) {
	if r.Facts == nil {
		return
	}
	p.section("Configuration before the run")
	snap := rig.Snapshot{Facts: r.Facts.Before}
	t := NewTable()
	t.Indent = 2
	for _, b := range brief {
		words := map[string][]string{}
		var unread []string
		var order []string
		for _, k := range b.facts {
			for _, f := range family(snap, k) {
				if !f.Read() {
					unread = append(unread, string(f.Key)+" unread: "+string(f.Unread.Reason))
					continue
				}
				order = append(order, string(f.Key))
				words[string(f.Key)] = append(words[string(f.Key)], label(f)+valueText(f.Value, f.Unit))
			}
		}
		var parts []string
		for _, k := range order {
			parts = append(parts, words[k]...)
		}
		if parts = append(parts, unread...); len(parts) > 0 {
			t.Row(b.name, strings.Join(parts, ", "))
		}
	}
	p.table(t)
}

// family finds a fact, or all of a family by their indices.
func family(s rig.Snapshot, k rig.Key) []rig.Fact {
	if k.Family() == k && !strings.Contains(string(k), "[]") {
		if f, ok := s.Find(k); ok {
			return []rig.Fact{f}
		}
		return nil
	}
	var out []rig.Fact
	for _, f := range s.Facts {
		if f.Key.Family() == k {
			out = append(out, f)
		}
	}
	return out
}

// label names a value that does not say by itself what it is.
func label(f rig.Fact) string {
	switch f.Key {
	case "cpu.model", "os.name", "os.version", "machine.maker", "machine.model", "board.maker", "board.model", "memory.type":
		return ""
	}
	if f.Key.Index() != "" {
		return f.Key.Index() + " " + f.Key.Field() + " "
	}
	return strings.ReplaceAll(f.Key.Field(), "_", " ") + " "
}
