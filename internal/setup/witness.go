package setup

import (
	"slices"
	"time"

	"witnessmark/internal/trail"
)

// mostWitnesses is how many may be named; a collector hands on no more.
const mostWitnesses = 16

// witnesses reads [witness]: whose signatures runs wait for.
func (r *reader) witnesses(t *node, a *Agent) {
	a.WitnessWithin = r.within(t, "within", time.Minute, 30*24*time.Hour, DefaultWithin)
	if t.table["keys"] != nil {
		a.Witnesses = r.texts(t, "keys")
	}
	for i, k := range a.Witnesses {
		_, err := trail.ParseWitness(k)
		switch {
		case err != nil:
			r.wrong(t.table["keys"], "give each key as collector follow tells it when it starts", "keys holds %q, which is no witness's key", k)
		case slices.Contains(a.Witnesses[:i], k):
			r.wrong(t.table["keys"], "keep one", "keys holds %q twice", k)
		}
	}
	if len(a.Witnesses) > mostWitnesses {
		r.wrong(t.table["keys"], "keep those that matter", "keys names %d witnesses; %d are taken", len(a.Witnesses), mostWitnesses)
	}
	a.WitnessNeed = r.count(t, "need", len(a.Witnesses))
	if a.WitnessNeed > len(a.Witnesses) {
		r.wrong(t.table["need"], "name at least as many keys, or ask for fewer", "need is %d, and %d keys are named", a.WitnessNeed, len(a.Witnesses))
	}
}

// texts reads a list of texts of one line that are not empty.
func (r *reader) texts(n *node, key string) (out []string) {
	c := n.table[key]
	hint := "write " + key + ` = ["...", "..."]`
	if c.shape != isList || len(c.list) == 0 {
		r.wrong(c, hint, "%s is %s, not a list of texts", key, c)
		return nil
	}
	for _, e := range c.list {
		if e.shape != isValue || e.value.Kind != Text {
			r.wrong(e, hint, "%s holds %s where a text belongs", key, e)
			return nil
		}
		out = append(out, e.value.Text)
	}
	return out
}
