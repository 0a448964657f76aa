package setup

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

func (r *reader) block(n *node, s *Scenario) Block {
	r.known(n, "[block]")
	b := Block{
		Rig: r.rigOf(n, s), Workload: r.workloadOf(n, s), Line: n.line,
		Tree: r.text(n, "tree"), Setup: r.name(n, "setup"), SetupFile: r.text(n, "setup_file"), At: r.moment(n, "at"),
		Repeats: r.count(n, "repeats", 1), Pause: r.duration(n, "pause", DefaultPause),
		Sessions: r.count(n, "sessions", 1), Every: r.duration(n, "every", 24*time.Hour),
		Factor: r.between(n, "factor", 0.001, 1000, 1), Drift: r.between(n, "drift", 0.5, 2, 1),
		Set: r.set(n), Throttle: r.throttle(n),
	}
	if n.table["lead_in"] != nil {
		d := r.seconds(n, "lead_in", 0)
		b.LeadIn = &d
	}
	if n.table["temperature"] != nil {
		f := r.between(n, "temperature", 1, 125, 0)
		b.Temperature = &f
	}
	if n.table["other_load"] != nil {
		f := r.between(n, "other_load", 0, 95, 0)
		b.OtherLoad = &f
	}
	r.need(n, "[[block]]", "at", `add at = "2031-03-02T09:00:00Z", the start of its first run`)
	if b.Repeats*b.Sessions > mostRuns {
		r.wrong(n, "play less", "%d repeats in each of %d sessions are more than %d runs", b.Repeats, b.Sessions, mostRuns)
	}
	if b.Setup != "" && b.SetupFile != "" {
		r.wrong(n.table["setup"], "the file has the label: keep setup_file alone", "setup and setup_file are both given")
	}
	return b
}

// DefaultPause is between two repeats of a block that gives none. A design choice.
const DefaultPause = 30 * time.Second

// mostRuns bounds one block.
const mostRuns = 100_000

func (r *reader) rigOf(n *node, s *Scenario) PlayedRig {
	r.need(n, "[[block]]", "rig", "name one of the [[rig]] tables")
	name := r.text(n, "rig")
	var names []string
	for _, g := range s.Rigs {
		if names = append(names, g.Name); g.Name == name {
			return g
		}
	}
	r.unnamed(n, "rig", name, names)
	return PlayedRig{}
}

func (r *reader) workloadOf(n *node, s *Scenario) PlayedWorkload {
	r.need(n, "[[block]]", "workload", "name one of the [[workload]] tables")
	name := r.text(n, "workload")
	version, picked := r.name(n, "version"), n.table["version"] != nil
	var names, versions []string
	var found []PlayedWorkload
	for _, w := range s.Workloads {
		names = append(names, w.Name)
		if w.Name != name {
			continue
		}
		if versions = append(versions, w.Version); !picked || w.Version == version {
			found = append(found, w)
		}
	}
	switch {
	case len(found) == 1:
		return found[0]
	case len(found) > 1:
		r.wrong(n.table["workload"], fmt.Sprintf("add version = %q to the block", versions[0]), "there are %d versions of the workload %q", len(found), name)
	case len(versions) > 0:
		r.wrong(n.table["version"], "the versions are "+strings.Join(versions, ", "), "there is no version %q of the workload %q", version, name)
	default:
		r.unnamed(n, "workload", name, names)
	}
	return PlayedWorkload{}
}

// unnamed reports a name that none of the file's tables has.
func (r *reader) unnamed(n *node, kind, name string, names []string) {
	if name == "" {
		return
	}
	hint := fmt.Sprintf("give it a [[%s]] table of its own", kind)
	if best, _ := nearest(name, names); best != "" {
		hint = fmt.Sprintf("the nearest is %q", best)
	}
	r.wrong(n.table[kind], hint, "there is no %s %q in this file", kind, name)
}

func (r *reader) throttle(n *node) *Throttle {
	c := r.sub(n, "throttle")
	if c == nil {
		return nil
	}
	r.known(c, "throttle")
	r.need(c, "throttle", "after", `add after = "12s", from the start of the run`)
	r.need(c, "throttle", "clock", "add clock = 2200, in MHz")
	return &Throttle{After: r.duration(c, "after", 0), ClockMHz: r.between(c, "clock", 1, 1e6, 0)}
}

// set reads facts: a value, { unread = "denied" }, or { value = 2400, unread = "denied" }
// for a fact that is so and cannot be read.
func (r *reader) set(n *node) []SetFact {
	table := r.sub(n, "set")
	if table == nil {
		return nil
	}
	states := func(c *node) bool {
		return c.shape != isTable || len(c.keys) == 0 || slices.ContainsFunc(r.schema.of(setTable), func(k string) bool {
			return c.table[k] != nil && c.table[k].shape != isTable
		})
	}
	var facts []SetFact
	r.flatten(table, states, func(key string, c *node) {
		f := SetFact{Key: key, Line: c.line}
		switch {
		case c.shape != isTable:
			f.Value = r.scalar(key, c)
		case len(c.keys) == 0:
			r.wrong(c, `write a value, or { unread = "denied" }`, "%q is an empty table", key)
		default:
			r.known(c, setTable)
			r.need(c, fmt.Sprintf("%q", key), "unread", `add unread = "denied", or write the value alone`)
			f.Unread = r.oneOf(c, "unread", "absent", "denied", "refused", "unknown", "implausible")
			if v := c.table["value"]; v != nil {
				f.Value = r.scalar(key, v)
			}
		}
		facts = append(facts, f)
	})
	return facts
}
