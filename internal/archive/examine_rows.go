package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"witnessmark/internal/trail"
)

// rows finds the rows that lead to no run. That every run has all of its rows is
// looked at with the run.
func (c *check) rows() {
	for _, bucket := range [][]byte{bByTime, bByRig, bByWorkload, bByBoth, bBySetup, bSummary} {
		c.each(bucket, func(k, v []byte) {
			if !c.leads(bucket, k, v) {
				c.wrong("row "+rowName(bucket, k), "it leads to no run")
			}
		})
	}
	c.each(bHashes, func(k, id []byte) {
		r, err := c.archive.receiptOf(c.tx, string(id))
		if err != nil || !bytes.Equal(k, r.RecordSHA256[:]) {
			c.wrong("row "+rowName(bHashes, k), "it leads to no run")
		}
	})
	c.each(bTails, func(k, _ []byte) {
		_, id, _ := bytes.Cut(k, []byte{0})
		if c.tx.Bucket(bRuns).Bucket(id) == nil || !bytes.Equal(k, tailKey(string(id))) {
			c.wrong("row "+rowName(bTails, k), "it leads to no run")
		}
	})
	c.each(bRetractions, func(k, v []byte) {
		var r Retraction
		err := json.Unmarshal(v, &r)
		e, err2 := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(number(r.Index)))
		if err != nil || err2 != nil || e.Subject != r.RunID || !bytes.Equal(k, under(number(r.Index), r.RunID)) {
			c.wrong("row "+rowName(bRetractions, k), "no entry of the trail is about it")
		}
	})
	c.countedRigs()
}

// rowName names a row by what of its key can be read.
func rowName(bucket, k []byte) string {
	read := func(r rune) rune {
		if r < ' ' || r > '~' {
			return '.'
		}
		return r
	}
	return string(bucket) + " " + strings.Map(read, string(k))
}

// leads says whether the row of an index is the one that its run should have.
func (c *check) leads(bucket, k, v []byte) bool {
	at := k
	if !bytes.Equal(bucket, bByTime) && !bytes.Equal(bucket, bSummary) {
		fields := 1
		if bytes.Equal(bucket, bByBoth) {
			fields = 2
		}
		for range fields {
			var ok bool
			if _, at, ok = bytes.Cut(at, []byte{0}); !ok {
				return false
			}
		}
	}
	if len(at) < 9 {
		return false
	}
	run, err := c.archive.runIn(c.tx, string(at[8:]))
	if err != nil || !bytes.Equal(run.Get([]byte("at")), at) {
		return false
	}
	if bytes.Equal(bucket, bSummary) {
		return true
	}
	l, err := labelsOf(v)
	if err != nil {
		return false
	}
	return slices.ContainsFunc(l.rows(at), func(r row) bool { return bytes.Equal(r.bucket, bucket) && bytes.Equal(r.key, k) })
}

// countedRigs holds what is kept of each rig against what follows from its runs.
func (c *check) countedRigs() {
	c.each(bRigs, func(k, v []byte) {
		want, ok := c.rigs[string(k)]
		if !ok {
			c.wrong("rig "+string(k), "none of the runs is of it")
			return
		}
		delete(c.rigs, string(k))
		if b, err := json.Marshal(want); err != nil || !bytes.Equal(b, v) {
			c.wrong("rig "+string(k), "what is kept of it does not follow from its %d runs", want.Runs)
		}
	})
	for _, name := range slices.Sorted(maps.Keys(c.rigs)) {
		c.wrong("rig "+name, "it is missing")
	}
}

// restores holds what is kept of restores against their entries.
func (c *check) restores() {
	n := 0
	c.each(bRestores, func(k, v []byte) {
		n++
		var r Restore
		where := fmt.Sprintf("restore at entry %d", numberOf(k))
		err := json.Unmarshal(v, &r)
		if b, err2 := json.Marshal(r); err != nil || err2 != nil || !bytes.Equal(b, v) || !bytes.Equal(k, number(r.Index)) {
			c.wrong(where, "it cannot be read, or says otherwise than its key")
			return
		}
		e, err := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(k))
		if err != nil || e.Kind != trail.KindRestore || e.Digest != sha256.Sum256([]byte(r.To)) || e.Actor != r.By || e.Text != r.Why || !e.At.Equal(r.At) {
			c.wrong(where, "its entry is not about it")
		}
		to, err := trail.OpenHead([]byte(r.To), c.line)
		if err == nil && to.Size != r.Index {
			err = errors.New("it does not stand behind the head that it went on from")
		}
		if err == nil {
			err = trail.CheckStore(to, hashReader{c.tx})
		}
		_, lost := r.lost(c.line)
		if err := errors.Join(err, lost); err != nil {
			c.wrong(where, "%v", err)
		}
	})
	if n != c.restored {
		c.wrong("restores", "%d are kept, and %d entries are about one", n, c.restored)
	}
}

// marks holds the marks against their entries.
func (c *check) marks() {
	n := 0
	var order []int64 // of the entries, by the marks' own numbers
	numbers := map[int64]int64{}
	c.each(bMarks, func(k, v []byte) {
		n++
		var m Mark
		where := "mark " + rowName(nil, k)
		if err := json.Unmarshal(v, &m); err != nil || len(k) < 8 {
			c.wrong(where, "it cannot be read: %v", err)
			return
		}
		if b, err := json.Marshal(m); err != nil || !bytes.Equal(b, v) || !bytes.HasPrefix(k, under(nil, m.Rig, m.Setup)) || len(k) != len(under(nil, m.Rig, m.Setup))+8 {
			c.wrong(where, "it says otherwise than its key")
		}
		seq := numberOf(k[len(k)-8:])
		numbers[seq] = m.Index
		order = append(order, seq)
		if m.Index == 0 {
			return // of before its entry was noted
		}
		e, err := trail.ParseEntry(c.tx.Bucket(bLeaves).Get(number(m.Index)))
		if err != nil || e.Kind != trail.KindMark || e.Subject != m.Rig+"/"+m.Setup || e.Actor != m.By || !e.At.Equal(m.At) ||
			e.Text != strings.TrimSpace(m.RunID+" "+m.Why) {
			c.wrong(where, "entry %d of the trail is not about it", m.Index)
		}
		if r, err := c.archive.receiptOf(c.tx, m.RunID); err != nil || r.RecordSHA256 != e.Digest {
			c.wrong(where, "its run %s is gone, or another", m.RunID)
		}
	})
	slices.Sort(order)
	last := int64(0)
	for i, seq := range order {
		if at := numbers[seq]; seq != int64(i)+1 || at != 0 && at <= last {
			c.wrong("marks", "number %d stands where number %d should, or out of the order of the trail", seq, i+1)
		}
		last = max(last, numbers[seq])
	}
	if n != c.marked {
		c.wrong("marks", "%d are kept, and %d entries are about one", n, c.marked)
	}
	if seq := c.tx.Bucket(bMarks).Sequence(); seq != uint64(n) {
		c.wrong("marks", "%d are kept, and %d were counted", n, seq)
	}
}
