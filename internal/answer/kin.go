package answer

import (
	"context"
	"slices"

	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
)

// The reasons for which a run is not held against another, beside those of Load.
const (
	LeftVersion = "another version of the workload"
	LeftSame    = "repeats of the same command"
)

// StandBeside finds the kept runs that may stand beside one run: all of its
// workload and version, each configuration of each rig in each setup fetched once.
// Settings of the workload and what a person noted are looked at in that one run;
// a comparison looks at all.
func StandBeside(ctx context.Context, b Book, id string, terms compare.Terms, o LoadOptions) (compare.Comparable, error) {
	d, err := b.Show(ctx, id)
	if err != nil {
		return compare.Comparable{}, err
	}
	to, err := runOf(d)
	if err != nil {
		return compare.Comparable{}, err
	}
	f := finder{to: to, options: o, at: map[kinKey]int{}}
	if err := b.Runs(ctx, Query{Workload: to.Workload}, f.take); err != nil {
		return compare.Comparable{}, err
	}
	for i := range f.kin {
		d, err := b.Show(ctx, f.kin[i].Runs[0])
		if err == nil {
			f.kin[i].Run, err = runOf(d)
		}
		if err != nil {
			return compare.Comparable{}, err
		}
	}
	c := compare.StandBeside(to, f.kin, terms)
	for _, l := range f.left {
		c.Leave(l.Why, l.Runs...)
	}
	return c, nil
}

// runOf makes what comparisons look at from what a Book shows of a run.
func runOf(d Detail) (compare.Run, error) {
	r, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		return compare.Run{}, doubt("read record", d.Summary.ID, err)
	}
	return RunOf(d.Summary, r), nil
}

type kinKey struct {
	configuration [32]byte
	rig, setup    string
	played        bool
}

// finder sorts summaries into kin.
type finder struct {
	to      compare.Run
	options LoadOptions
	at      map[kinKey]int
	kin     []compare.Kin
	left    []compare.LeftOut
}

func (f *finder) leave(why, id string) error {
	i := slices.IndexFunc(f.left, func(l compare.LeftOut) bool { return l.Why == why })
	if i < 0 {
		f.left = append(f.left, compare.LeftOut{Why: why})
		i = len(f.left) - 1
	}
	f.left[i].Runs = append(f.left[i].Runs, id)
	return nil
}

func (f *finder) take(m Summary) error {
	switch st := m.Judgement.Standing; {
	case m.ID == f.to.ID:
		return nil
	case st == drift.Voided:
		return f.leave(m.LeftWhy(), m.ID)
	case m.WorkloadVersion != f.to.WorkloadVersion:
		return f.leave(LeftVersion, m.ID)
	case m.Group != "" && m.Group == f.to.Group && m.Rig == f.to.Rig:
		return f.leave(LeftSame, m.ID)
	case st != drift.Clean && !slices.Contains(f.options.Include, st):
		return f.leave(LeftCaution, m.ID)
	}
	k := kinKey{m.Configuration, m.Rig, m.Setup, m.Played != ""}
	i, ok := f.at[k]
	if !ok {
		i = len(f.kin)
		f.at[k] = i
		f.kin = append(f.kin, compare.Kin{First: m.Started, Last: m.Started})
	}
	x := &f.kin[i]
	x.Runs = append(x.Runs, m.ID)
	if m.Started.Before(x.First) {
		x.First = m.Started
	}
	if m.Started.After(x.Last) {
		x.Last = m.Started
	}
	if m.Judgement.Standing == drift.Careful {
		x.Caution++
	}
	return nil
}
