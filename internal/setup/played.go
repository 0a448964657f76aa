package setup

import (
	"math"
	"slices"
	"time"
)

// The least and the most that a run of a scenario may last. A log of less than a
// second is refused; the most is a bound on what playing costs.
const (
	shortestPlay = time.Second
	longestPlay  = 4 * time.Hour
	mostFrames   = 5_000_000
)

func (r *reader) playedRig(n *node, before []PlayedRig) PlayedRig {
	r.known(n, "[rig]")
	g := PlayedRig{Name: r.name(n, "name"), Tree: r.text(n, "tree"), Line: n.line}
	r.need(n, "[[rig]]", "name", `add name = "heron"`)
	r.need(n, "[[rig]]", "tree", `add tree = "../rigs/heron", a captured tree as agent facts --save makes it`)
	if slices.ContainsFunc(before, func(o PlayedRig) bool { return o.Name == g.Name && g.Name != "" }) {
		r.wrong(n.table["name"], "a block that needs another tree of the rig names it: tree = ...", "there is a rig %q already", g.Name)
	}
	return g
}

func (r *reader) playedWorkload(n *node, before []PlayedWorkload) PlayedWorkload {
	r.known(n, "[workload]")
	w := PlayedWorkload{
		Name: r.name(n, "name"), Version: r.name(n, "version"), Line: n.line, Content: ByTime,
		Noise:  r.between(n, "noise", 0, 1, 0),
		Jitter: r.between(n, "jitter", 0, 1, 0),
		LeadIn: r.seconds(n, "lead_in", 0),
	}
	r.need(n, "[[workload]]", "name", `add name = "orrery"`)
	if slices.ContainsFunc(before, func(o PlayedWorkload) bool { return o.Name == w.Name && o.Version == w.Version && w.Name != "" }) {
		r.wrong(n.table["name"], "give each version of a workload once", "there is a workload %q of this version already", w.Name)
	}
	if ref := r.sub(n, "reference"); ref != nil {
		r.known(ref, "reference")
		w.ClockMHz, w.MemoryMTps = r.between(ref, "clock", 1, 1e6, 0), r.between(ref, "memory", 1, 1e6, 0)
	}
	for _, c := range r.tables(n, "scenes") {
		w.Scenes = append(w.Scenes, r.scene(c, &w))
	}
	r.need(n, "[[workload]]", "scenes", "add scenes = [ { seconds = 10, ms = 8.0, clock = 0.6, memory = 0.2 } ]")
	r.length(n, &w)
	return w
}

func (r *reader) scene(n *node, w *PlayedWorkload) Scene {
	if len(n.keys) > 0 {
		n.line = n.table[n.keys[0]].line // within a list over many lines
	}
	r.known(n, "scenes")
	s := Scene{
		Duration: r.seconds(n, "seconds", 0), Frames: r.count(n, "frames", 0), FrameMS: r.between(n, "ms", 0.001, 60_000, 0),
		Clock: r.between(n, "clock", 0, 1, 0), Memory: r.between(n, "memory", 0, 1, 0),
	}
	r.need(n, "scenes", "ms", "add ms = 8.0, the frame time at the reference state")
	const either = "seconds = 10 lasts as long on every rig, frames = 600 is as many frames on every rig"
	switch timed, counted := n.table["seconds"] != nil, n.table["frames"] != nil; {
	case timed && counted:
		r.wrong(n, either, "a scene has both seconds and frames")
	case !timed && !counted:
		r.lacks(n, either, "a scene needs seconds or frames")
	case len(w.Scenes) > 0 && counted != (w.Content == ByFrame):
		r.wrong(n, "give all scenes of a workload seconds, or all of them frames", "the scenes of a workload are given in seconds and in frames")
	case counted:
		w.Content = ByFrame
	}
	if s.Clock+s.Memory > 1+1e-9 {
		r.wrong(n, "the shares of clock and memory and a rest that scales with neither add up to 1", "clock %v and memory %v are more than the whole frame time", s.Clock, s.Memory)
	}
	if s.Clock > 0 && w.ClockMHz == 0 {
		r.lacks(n, "add reference = { clock = 4100, memory = 3200 } to the workload", "the scene scales with the clock, and the workload has no reference clock")
	}
	if s.Memory > 0 && w.MemoryMTps == 0 {
		r.lacks(n, "add reference = { clock = 4100, memory = 3200 } to the workload", "the scene scales with memory, and the workload has no reference memory")
	}
	return s
}

// length holds a run of the workload within bounds.
func (r *reader) length(n *node, w *PlayedWorkload) {
	if len(r.problems) > 0 || n.table["scenes"] == nil {
		return
	}
	total, frames := w.LeadIn.Seconds(), 0.0
	for _, s := range w.Scenes {
		count := math.Max(float64(s.Frames), s.Duration.Seconds()*1000/s.FrameMS)
		frames += count
		total += math.Max(s.Duration.Seconds(), count*s.FrameMS/1000)
	}
	switch at := n.table["scenes"]; {
	case total < shortestPlay.Seconds():
		r.wrong(at, "make it longer: a log of less than a second is refused", "all scenes last %.3g s together", total)
	case total > longestPlay.Seconds():
		r.wrong(at, "make it shorter", "all scenes last %.3g s together; %v is the most that is played", total, longestPlay)
	case frames > mostFrames:
		r.wrong(at, "make it shorter, or its frames longer", "all scenes have %.3g frames together; %d are the most that are played", frames, mostFrames)
	}
}
