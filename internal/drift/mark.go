package drift

import (
	"strings"

	"witnessmark/internal/rig"
)

// marked holds the snapshot against the accepted mark.
func (j *judge) marked() {
	if j.in.Mark == nil {
		return
	}
	moved := map[rig.Key]bool{}
	var flags []Flag
	gone := map[string]bool{}
	for _, was := range j.in.Mark.Snapshot.Facts {
		e, _ := rig.Lookup(was.Key)
		if e.Pace == rig.Passing || !was.Read() {
			continue
		}
		now, there := j.in.Before.Find(was.Key)
		switch {
		case !there && was.Key.Index() != "":
			// A whole device went: say so once.
			if d := device(was.Key); !gone[d] {
				gone[d] = true
				flags = append(flags, j.movedFlag(was, rig.TextOf("gone"), e.Weight, "not there any more"))
			}
		case !there || !now.Read():
			j.unread(find(j.in.Before, was.Key), was.Value, e.Weight, ": the mark, run "+j.in.Mark.RunID+", has it")
		case !e.Tolerance.Equal(was.Value, now.Value):
			moved[was.Key] = true
			flags = append(flags, j.movedFlag(was, now.Value, e.Weight, source(now)))
		}
	}
	flags = append(flags, j.arrived()...)
	for _, f := range flags {
		if cause, ok := causeOf(f.Fact, moved); ok {
			f.Weight = rig.Note
			f.Evidence += "; follows from " + string(cause)
		}
		j.raise(f)
	}
}

func (j *judge) movedFlag(was rig.Fact, now rig.Value, w rig.Weight, evidence string) Flag {
	return Flag{
		Kind: Moved, Fact: was.Key, Expected: was.Value, Seen: now, Unit: was.Unit, Weight: w,
		Evidence: evidence + ": the mark is run " + j.in.Mark.RunID,
	}
}

// arrived finds devices that the mark does not have, each told of once.
func (j *judge) arrived() (flags []Flag) {
	known := map[string]bool{}
	for _, f := range j.in.Mark.Snapshot.Facts {
		known[device(f.Key)] = true
	}
	for _, f := range j.in.Before.Facts {
		e, _ := rig.Lookup(f.Key)
		if d := device(f.Key); f.Key.Index() != "" && !known[d] && f.Read() && e.Pace != rig.Passing {
			known[d] = true
			flags = append(flags, Flag{
				Kind: Moved, Fact: f.Key, Expected: rig.TextOf("not there"), Seen: f.Value, Unit: f.Unit, Weight: e.Weight,
				Evidence: source(f) + ": the mark is run " + j.in.Mark.RunID,
			})
		}
	}
	return flags
}

// device is the part of a key up to its index: memory.module[DIMM_A1].
func device(k rig.Key) string {
	if i := strings.LastIndexByte(string(k), ']'); i >= 0 {
		return string(k[:i+1])
	}
	return string(k)
}

// causeOf finds a fact among moved that explains, by the catalogue and over any
// number of steps, that k moved too.
func causeOf(k rig.Key, moved map[rig.Key]bool) (rig.Key, bool) {
	met := map[rig.Key]bool{}
	var walk func(rig.Key) (rig.Key, bool)
	walk = func(k rig.Key) (rig.Key, bool) {
		e, _ := rig.Lookup(k)
		for _, f := range e.Follows {
			if met[f] {
				continue
			}
			met[f] = true
			if moved[f] {
				return f, true
			}
			if c, ok := walk(f); ok {
				return c, true
			}
		}
		return "", false
	}
	return walk(k)
}
