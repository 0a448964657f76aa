package screen

import (
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/rig"
)

// brief lists the facts that a reader of one result asks for first, by line,
// each with the words before its value.
var brief = []struct {
	name  string
	facts []briefly
}{
	{"machine", []briefly{{"machine.maker", ""}, {"machine.model", ""}, {"machine.virtual", "virtual"}}},
	{"processor", []briefly{{"cpu.model", ""}, {"cpu.sockets", "sockets"}, {"cpu.cores", "cores"}, {"cpu.threads", "threads"}, {"cpu.offline", "offline"}, {"cpu.microcode", "microcode"}}},
	{"clocks", []briefly{{"cpu.governor", "governor"}, {"cpu.turbo", "turbo"}, {"cpu.clock_max", "hardware allows"}, {"cpu.clock_limit", "kernel allows"}}},
	{"memory", []briefly{
		{"memory.modules", "modules"}, {"memory.size", ""}, {"memory.type", ""},
		{"memory.speed", "running at"}, {"memory.rated_speed", "rated"}, {"memory.channels_populated", "channels populated"},
	}},
	{"board", []briefly{{"board.maker", ""}, {"board.model", ""}, {"firmware.version", "firmware"}, {"firmware.date", "of"}}},
	{"graphics", []briefly{{"graphics[].id", ""}, {"graphics[].driver", "driver"}, {"graphics[].driver_version", "version"}}},
	{"links", []briefly{{"link[].width", ""}}},
	{"system", []briefly{
		{"os.name", ""}, {"os.version", ""}, {"kernel.release", "kernel"}, {"kernel.clocksource", "clock source"}, {"kernel.mitigations", "mitigations"},
	}},
	{"just before", []briefly{{"load.idle_before", "idle"}}},
}

type briefly struct {
	key   rig.Key // of one fact or a family
	words string
}

// configuration prints the brief facts of the snapshot before the run, unread
// ones with their reason.
func (p *printer) configuration(r answer.Run) {
	if r.Facts == nil {
		return
	}
	p.section("Configuration before the run")
	t := NewTable()
	t.Indent = 2
	for _, b := range brief {
		var read, unread []string
		for _, k := range b.facts {
			for _, f := range family(rig.Snapshot{Facts: r.Facts.Before}, k.key) {
				if f.Read() {
					read = append(read, spaced(f.Key.Index(), k.words, Value(f.Value, f.Unit)))
				} else {
					unread = append(unread, string(f.Key)+" unread: "+string(f.Unread.Reason))
				}
			}
		}
		if parts := append(read, unread...); len(parts) > 0 {
			t.Row(b.name, strings.Join(parts, ", "))
		}
	}
	p.table(t)
}

// spaced joins the words that are not empty.
func spaced(words ...string) string {
	return strings.Join(strings.Fields(strings.Join(words, " ")), " ")
}

// family finds a fact, or all facts of a family by their indices.
func family(s rig.Snapshot, k rig.Key) []rig.Fact {
	if !strings.Contains(string(k), "[]") {
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
