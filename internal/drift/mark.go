package drift

// marked holds the snapshot against the accepted mark.
func (j *judge) marked() {
	if j.in.Mark == nil {
		return
	}
	for _, d := range differences(j.in.Mark.Snapshot, j.in.Before) {
		j.differs(d, Moved, "; the mark is run "+j.in.Mark.RunID)
	}
}

// differs raises a flag for a difference, of a kind unless it is unread now.
func (j *judge) differs(d difference, k Kind, against string) {
	if d.unread {
		k, against = UnreadFact, against+j.virtualWord(d.fact)
	}
	j.raise(Flag{Kind: k, Fact: d.fact, Expected: d.was, Seen: d.now, Unit: d.unit, Weight: d.weight, Evidence: d.evidence + against})
}
