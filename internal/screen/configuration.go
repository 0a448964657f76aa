package screen

import (
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/rig"
)

// brief lists the facts that a reader of one result asks for first, by line,
// each with the words before its value.
var brief = []briefLine{
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

type briefLine struct {
	name  string
	facts []briefly
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
		if words := b.of(rig.Snapshot{Facts: r.Facts.Before}); words != "" {
			t.Row(b.name, words)
		}
	}
	p.table(t)
}

// of gives the values that were read, then the facts that were not, by reason.
func (b briefLine) of(s rig.Snapshot) string {
	var read []string
	unread := map[string][]string{}
	for _, k := range b.facts {
		for _, f := range family(s, k.key) {
			if f.Read() {
				read = append(read, spaced(f.Key.Index(), k.words, Value(f.Value, f.Unit)))
			} else {
				why := string(f.Unread.Reason)
				unread[why] = append(unread[why], string(f.Key))
			}
		}
	}
	parts := []string{}
	if len(read) > 0 {
		parts = append(parts, strings.Join(read, ", "))
	}
	for _, why := range sorted(unread) {
		parts = append(parts, "unread ("+why+"): "+strings.Join(unread[why], ", "))
	}
	return strings.Join(parts, "; ")
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
