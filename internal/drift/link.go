package drift

import (
	"strings"

	"witnessmark/internal/rig"
)

const linkSpeed rig.Key = "link[].speed"

// links looks at what hangs on each link. Bridges are judged at the device
// behind them, further functions of a device at the first.
func (j *judge) links() {
	for _, f := range j.in.Before.Facts {
		if f.Key.Family() != "link[].width" {
			continue
		}
		at := f.Key.Index()
		kind, _ := j.in.Before.Text(rig.Of("link", at, "kind"))
		if strings.Contains(kind, "bridge") || j.furtherFunction(at) {
			continue
		}
		j.under(f.Key, rig.Of("link", at, "width_max"), onLink(kind)+" could use more lanes: look at seat, riser and slot")
		j.linkSpeed(at, kind)
	}
}

// onLink names what hangs on a link by its kind.
func onLink(kind string) string {
	switch kind {
	case "", "unknown":
		return "the device"
	case "drive", "drive controller", "accelerator":
		return "the " + kind
	}
	return "the " + kind + " device"
}

// furtherFunction says whether the device at 0000:01:00.1 is the one at 0000:01:00.0.
func (j *judge) furtherFunction(at string) bool {
	i := strings.LastIndexByte(at, '.')
	if i < 0 || at[i:] == ".0" {
		return false
	}
	return find(j.in.Before, rig.Of("link", at[:i]+".0", "width")).Read()
}

// linkSpeed judges a link by the highest speed seen. Before a run that proves
// nothing, since an idle link slows down to save power; nor does it in a run in
// which the link never left its lowest speed, or a graphics card's never moved.
func (j *judge) linkSpeed(at, kind string) {
	k := rig.Of("link", at, "speed")
	f, r, yes := j.short(k, rig.Of("link", at, "speed_max"))
	best, moved := j.bestSpeed(k)
	if top, _ := r.Value.Number(); !yes || best >= top {
		return
	}
	f.Value = rig.NumberOf(best)
	w, why := weightOf(k), "the highest speed seen over the run"
	switch {
	case j.in.Run == nil:
		w, why = rig.Note, "an idle link slows down by itself; a run shows whether it speeds up"
	case best <= j.bounds.RestingLink, kind == "graphics" && !moved:
		w, why = rig.Note, why+", in which the link may not have been used"
	}
	j.below(f, r.Value, w, string(r.Key)+" is "+r.String()+"; "+why)
}

// bestSpeed is the highest speed a link showed before, during and after the
// run, and whether it changed.
func (j *judge) bestSpeed(k rig.Key) (best float64, moved bool) {
	best, _ = j.in.Before.Number(k)
	first := best
	see := func(v float64) {
		best, moved = max(best, v), moved || v != first
	}
	if j.in.Run == nil {
		return best, false
	}
	if v, ok := j.in.Run.After.Number(k); ok {
		see(v)
	}
	for _, s := range j.in.Run.Signals {
		for i := range s.Values {
			if s.Key == k {
				see(s.At(i))
			}
		}
	}
	return best, moved
}

func or(s, t string) string {
	if s == "" {
		return t
	}
	return s
}
