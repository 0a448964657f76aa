package probe

import (
	"context"
	"strings"
	"time"

	"witnessmark/internal/rig"
)

// Options say how to read.
type Options struct {
	// Plain leaves serial numbers and other identities as they are; otherwise
	// they are hashed.
	Plain bool

	// Window is how long to watch, before reading anything, how idle the
	// machine is. With 0 that stays unread.
	Window time.Duration
}

// Facts reads every fact the tree has, sorted by key, each key once. Every key
// of the catalogue that takes no index is among them, read or unread; of keys
// with an index, those of the parts that were found. A cancelled ctx cuts the
// watching short and nothing else.
func Facts(ctx context.Context, t *Tree, opt Options) []rig.Fact {
	return Snapshot(ctx, t, opt).Facts
}

// Snapshot is Facts with the wall clock's time at the end of watching, when
// the reading began.
func Snapshot(ctx context.Context, t *Tree, opt Options) rig.Snapshot {
	s := &sheet{tree: t, opt: opt}
	s.load(ctx)
	at := time.Now()
	s.cpu = readTopology(t)
	s.table = readFirmwareTable(t)
	for _, read := range readers {
		read(s)
	}
	if t.root == nil {
		s.portable(ctx)
	}
	s.complete()
	return rig.NewSnapshot(at, s.facts)
}

// readers fill a sheet, one for each part of a machine. Adding a fact is one
// entry in rig.Catalogue and one line in one of these.
var readers = []func(*sheet){
	(*sheet).machine,
	(*sheet).processor,
	(*sheet).layout,
	(*sheet).caches,
	(*sheet).nodes,
	(*sheet).clocks,
	(*sheet).idling,
	(*sheet).powerLimits,
	(*sheet).vulnerabilities,
	(*sheet).memory,
	(*sheet).modules,
	(*sheet).memoryErrors,
	(*sheet).firmware,
	(*sheet).thermals,
	(*sheet).links,
	(*sheet).graphics,
	(*sheet).displays,
	(*sheet).drives,
	(*sheet).networks,
	(*sheet).kernel,
	(*sheet).kernelModules,
	(*sheet).clockSync,
	(*sheet).system,
}

// complete adds what no reader has touched as absent, so that a fact of the
// catalogue is never simply missing.
func (s *sheet) complete() {
	met := map[rig.Key]bool{}
	for _, f := range s.facts {
		met[f.Key.Family()] = true
	}
	for _, e := range rig.Catalogue {
		if strings.Contains(string(e.Key), "[]") || met[e.Key] {
			continue
		}
		s.put(e.Key, unread("", rig.Absent, "nothing reads it here"))
	}
}
