package dossier

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/judge"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

// The editions from which on a file says what this program works out. Where one of
// an earlier edition says otherwise, that is told and is no fault.
//
// The cover is made with the file. Statistics and flags are those of the summary, which
// was made when the run was kept, maybe years before, and names no edition: all so far
// are of 1. Before judgedSince goes up, a summary has to carry the edition of its rules,
// none meaning 1, and to be held against that and not against the file's, or honest
// files of runs of before are refused (TestSummaryOfBefore).
const (
	judgedSince = 1 // statistics, results, configuration and flags
	wordedSince = 2 // the cover
)

// statistics works out again what the raw log says, and holds all of the summary
// against the record and the mark in the file.
func (v *verification) statistics() error {
	read := judge.Read(v.run, v.Files)
	v.logs = read.Found()
	says, err := shown(v.summary)
	if err != nil {
		return at(summaryName, err)
	}
	judged := v.summary.Judgement
	judged.MarkRun = ""
	if v.marked != nil {
		judged.MarkRun = v.marked.ID
	}
	worked, err := shown(answer.Summarise(v.run, v.Signed.SHA256(), read.Statistics, judged))
	if err != nil {
		return at(recordName, err)
	}
	return v.again(summaryName, judgedSince, "statistics and results, worked out again from record and raw log, are", says, worked)
}

// shown spells a summary, a line for each value, under the names of its JSON. Its
// flags are judged again by themselves.
func shown(s answer.Summary) ([]string, error) {
	s.Judgement.Flags = nil
	b, err := json.Marshal(s.Brief())
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var v map[string]any
	if err := d.Decode(&v); err != nil {
		return nil, err
	}
	v["configuration_sha256"] = hex.EncodeToString(s.Configuration[:])
	return values("", v), nil
}

// values lists what is in a decoded JSON value, such as "statistics.frames: 428".
func values(name string, v any) (out []string) {
	switch v := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			out = append(out, values(strings.TrimPrefix(name+"."+k, "."), v[k])...)
		}
	case []any:
		for i, x := range v {
			out = append(out, values(fmt.Sprintf("%s[%d]", name, i), x)...)
		}
	default:
		out = []string{fmt.Sprintf("%s: %v", name, v)}
		if v == nil {
			out = []string{name + ": not known"}
		}
	}
	return out
}

// flags judges the run again by record, setup and mark. What an outcome was held
// against, earlier runs, is not in the file, nor is the rig's earlier key.
func (v *verification) flags() error {
	in := judge.Input(v.run, v.logs)
	in.Run.Key = record.Fingerprint(v.Signed.PublicKey)
	s, err := judge.Setup(v.run)
	if err != nil {
		return at(setupName, err)
	}
	in.Setup = s
	if v.Mark != nil {
		in.Mark = &drift.Mark{RunID: v.marked.ID, Snapshot: v.marked.Before}
	}
	var kept, again, others []string
	for _, f := range v.summary.Judgement.Flags {
		if f.Kind == drift.Unlike || f.Kind == drift.Moved && f.Fact == rig.Key("rig.key") {
			others = append(others, flagged(f))
		} else {
			kept = append(kept, flagged(f))
		}
	}
	for _, f := range drift.Judge(in).Flags {
		again = append(again, flagged(f))
	}
	what := fmt.Sprintf("flags, %d of them, worked out again from record, setup and mark, are", len(kept))
	if err := v.again(summaryName, judgedSince, what, kept, again); err != nil {
		return err
	}
	for _, f := range others {
		v.doubt(summaryName, "a flag rests on the rig's earlier runs, which are not in the file: %s", f)
	}
	return nil
}

// flagged spells all of a flag.
func flagged(f drift.Flag) string {
	return fmt.Sprintf("%v %s %s: %s; %s", f.Weight, f.Kind, f.Fact, screen.FlagText(f), f.Evidence)
}

// cover holds the cover against what the other members say.
func (v *verification) cover() error {
	c, err := v.Contents.cover(v.run)
	if err != nil {
		return err
	}
	return v.again(coverName, wordedSince, "what it says, worked out again from the other members, is", lines(v.members[0].data), lines(c))
}

func lines(b []byte) []string { return strings.Split(string(b), "\n") }

// mostTold is how many differences are told of one thing.
const mostTold = 20

// again holds what a member says of something, line by line, against what is worked
// out of it. Where the file is of an edition from before since, differences are told.
func (v *verification) again(name string, since int, what string, says, worked []string) error {
	if slices.Equal(says, worked) {
		v.holds(name, "%s the same", what)
		return nil
	}
	differ := differences(says, worked)
	if v.edition >= since {
		more := ""
		if len(differ) > 1 {
			more = fmt.Sprintf(" (the first of %d differences)", len(differ))
		}
		return at(name, errors.New(what+" not the same: "+differ[0]+more))
	}
	v.report.Otherwise = append(v.report.Otherwise, name)
	v.doubt(name, "%s not the same by the rules of edition %d; the file is of edition %d, and for what differs there is its collector's word alone", what, Edition, v.edition)
	for _, d := range differ[:min(len(differ), mostTold)] {
		v.doubt(name, "%s", d)
	}
	if left := len(differ) - mostTold; left > 0 {
		v.doubt(name, "and %d more differences", left)
	}
	return nil
}

// differences tells of each line that one of two lists has alone.
func differences(says, worked []string) (out []string) {
	gone, new := without(says, worked), without(worked, says)
	for i := range max(len(gone), len(new)) {
		switch {
		case i >= len(new):
			out = append(out, fmt.Sprintf("the file says %q, which does not come out", gone[i]))
		case i >= len(gone):
			out = append(out, fmt.Sprintf("%q comes out, which the file does not say", new[i]))
		default:
			out = append(out, fmt.Sprintf("the file says %q, and %q comes out", gone[i], new[i]))
		}
	}
	if len(out) == 0 {
		out = []string{"it is in another order"}
	}
	return out
}

// without gives the lines of one list that another does not have, or not as often.
func without(list, other []string) (out []string) {
	has := map[string]int{}
	for _, l := range other {
		has[l]++
	}
	for _, l := range list {
		if has[l]--; has[l] < 0 {
			out = append(out, l)
		}
	}
	return out
}
