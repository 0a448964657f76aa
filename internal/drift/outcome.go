package drift

import "witnessmark/internal/rig"

// outcome looks at how the workload ended and what it left.
func (j *judge) outcome() {
	r := j.in.Run
	if r.Outcome != "finished" && r.Outcome != "taken" { // of a log that was taken nobody saw the end, and it speaks for itself
		j.raise(Flag{Kind: Unsteady, Fact: "run.exit", Expected: rig.TextOf("finished"), Seen: rig.TextOf(r.Outcome), Weight: rig.Void,
			Evidence: "workload: " + or(r.Detail, r.Outcome)})
	}
	for _, l := range r.Logs {
		j.log(l)
	}
	for _, n := range r.MissingResults {
		j.raise(Flag{Kind: UnreadFact, Fact: rig.Of("run.result", n, ""), Expected: rig.TextOf("a figure"), Seen: rig.TextOf("unread: absent"), Weight: rig.Caution,
			Evidence: "output: the pattern for it found no number"})
	}
	if j.in.LastKey != "" && r.Key != "" && j.in.LastKey != r.Key {
		j.raise(Flag{Kind: Moved, Fact: "rig.key", Expected: rig.TextOf(j.in.LastKey), Seen: rig.TextOf(r.Key), Weight: rig.Caution,
			Evidence: "signature: this rig's last run was signed with another key"})
	}
}

// log looks at one timing log: whether it was taken, and what is odd about it.
func (j *judge) log(l Log) {
	if l.Refused != "" {
		j.raise(Flag{Kind: UnreadFact, Fact: rig.Of("run.log", l.Name, ""), Expected: rig.TextOf("a timing log"), Seen: rig.TextOf("refused: " + l.Refused),
			Weight: rig.Void, Evidence: l.Name + ": " + l.Detail})
	}
	for _, m := range l.Marks {
		j.raise(Flag{Kind: Unsteady, Fact: rig.Of("run.log", l.Name, m.Code), Expected: rig.TextOf("nothing to remark"), Seen: rig.TextOf(m.Code),
			Weight: markWeight(m.Code), Evidence: l.Name + ": " + m.Detail})
	}
}

// markWeight tells what only describes a log from what makes its numbers weak.
func markWeight(code string) rig.Weight {
	switch code {
	case "dropped_rows", "earlier_rows", "stall", "mixed_magnitudes", "unit_in_doubt", "unit_contradicts_name", "kind_contradicts_name":
		return rig.Caution
	}
	return rig.Note
}
