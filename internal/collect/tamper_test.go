package collect_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/trail"
)

// tampering is one crime. One that is sealed leaves an archive that is in itself
// in order, as far as what lies beside it is gone, too: then rigs have to find it.
type tampering struct {
	name   string
	sealed bool
	commit func(c *crime) error
}

// within commits a crime in one transaction.
func within(f func(c *crime, tx *bolt.Tx) error) func(c *crime) error {
	return func(c *crime) error { return c.write(func(tx *bolt.Tx) error { return f(c, tx) }) }
}

func tamperings() []tampering {
	return append([]tampering{
		{"a record swapped with another valid one", false, within(func(c *crime, tx *bolt.Tx) error {
			other := c.rand.Finish(plainly)
			return c.put(tx, c.runs[3], other.Signed, nil)
		})},
		{"two records exchanged", false, within(func(c *crime, tx *bolt.Tx) error {
			return errors.Join(c.put(tx, c.runs[3], c.runs[5].Signed, nil), c.put(tx, c.runs[5], c.runs[3].Signed, nil))
		})},
		{"a run deleted", false, within(func(c *crime, tx *bolt.Tx) error { return c.remove(tx, c.runs[4]) })},
		{"an index row removed", false, within(func(c *crime, tx *bolt.Tx) error {
			b := bucket(tx, "by/workload")
			k, _ := b.Cursor().First()
			return b.Delete(bytes.Clone(k))
		})},
		{"an index row added", false, within(func(c *crime, tx *bolt.Tx) error {
			k, v := bucket(tx, "by/time").Cursor().First()
			return bucket(tx, "by/rig").Put(append([]byte("avocet\x00"), k...), bytes.Clone(v))
		})},
		{"a log replaced with its hash recomputed", false, within(func(c *crime, tx *bolt.Tx) error {
			s, data := another(c.runs[2], c.rand.Key, c.rand)
			return c.put(tx, c.runs[2], s, data)
		})},
		{"the same and its leaf", false, within(func(c *crime, tx *bolt.Tx) error {
			s, data := another(c.runs[2], c.rand.Key, c.rand)
			leaves := leavesOf(tx)
			return errors.Join(c.put(tx, c.runs[2], s, data), bucket(tx, "trail/leaves").Put(number(2), about(leaves[2], s)))
		})},
		{"the tree rebuilt over an altered record", false, within(func(c *crime, tx *bolt.Tx) error {
			leaves := leavesOf(tx)
			s, data := another(c.runs[2], c.rand.Key, c.rand)
			leaves[2] = about(leaves[2], s)
			return errors.Join(c.put(tx, c.runs[2], s, data), c.rebuild(tx, leaves))
		})},
		{"the same and all that is derived of the record", true, within(func(c *crime, tx *bolt.Tx) error {
			leaves := leavesOf(tx)
			run := *c.runs[2].Run
			run.WorkloadCPU += time.Second
			forger := *c.rand
			s := forger.Sign(&run, c.runs[2].Data).Signed
			at := bytes.Clone(bucket(tx, "runs", run.ID).Get([]byte("at")))
			sum, err := answer.ParseSummary(bucket(tx, "summary").Get(at))
			if err != nil {
				return err
			}
			sum.RecordSHA256 = s.SHA256()
			b, err := sum.Marshal()
			if err != nil {
				return err
			}
			e, err := trail.ParseEntry(about(leaves[2], s))
			if err != nil {
				return err
			}
			e.Text = fmt.Sprintf("%s, summary sha256 %x", sum.Judgement.Standing, sha256.Sum256(b))
			if leaves[2], err = e.Marshal(); err != nil {
				return err
			}
			return errors.Join(bucket(tx, "summary").Put(at, b), c.put(tx, c.runs[2], s, nil), c.recount(tx), c.rebuild(tx, leaves))
		})},
		{"the tree rebuilt without a run", true, within(func(c *crime, tx *bolt.Tx) error {
			leaves := leavesOf(tx)
			return errors.Join(c.remove(tx, c.runs[4]), c.rebuild(tx, append(leaves[:4:4], leaves[5:]...)))
		})},
		{"the tree rebuilt with another time", true, within(func(c *crime, tx *bolt.Tx) error {
			leaves := leavesOf(tx)
			e, err := trail.ParseEntry(leaves[6])
			if err != nil {
				return err
			}
			e.At = e.At.Add(-time.Hour)
			if leaves[6], err = e.Marshal(); err != nil {
				return err
			}
			return c.rebuild(tx, leaves)
		})},
		{"an older copy of the file put back", true, func(c *crime) error { return os.WriteFile(c.path(), c.half, 0o600) }},
		{"the last transaction undone", true, undo},
	}, cuts(1, 2, 3, 5, 8)...)
}

// cuts take the last entries off, and seal what is left.
func cuts(numbers ...int) (out []tampering) {
	for _, n := range numbers {
		out = append(out, tampering{fmt.Sprintf("the last %d entries cut off", n), true, within(func(c *crime, tx *bolt.Tx) error {
			last := len(c.runs) - n
			errs := []error{}
			for _, run := range c.runs[last:] {
				errs = append(errs, c.remove(tx, run))
			}
			c.runs = c.runs[:last]
			return errors.Join(append(errs, c.rebuild(tx, leavesOf(tx)[:last]))...)
		})})
	}
	return out
}

// undo writes the first page of the last transaction but one over that of the last,
// which bbolt keeps against crashes.
func undo(c *crime) error {
	b, err := os.ReadFile(c.path())
	if err != nil {
		return err
	}
	const page, id, tx = 4096, 8, 16 + 48 // where bbolt has the transaction's number
	older, newer := b[:page], b[page:2*page]
	if binary.NativeEndian.Uint64(older[tx:]) > binary.NativeEndian.Uint64(newer[tx:]) {
		older, newer = newer, older
	}
	copy(newer[id:], older[id:])
	return os.WriteFile(c.path(), b, 0o600)
}

// TestTampering commits one crime at a time. The check finds it, or, where it was
// sealed and nothing beside the archive tells of before, a rig that comes to
// deliver.
func TestTampering(t *testing.T) {
	all := tamperings()
	tried, found := 0, 0
	for _, x := range all {
		c := newCrime(t)
		if wrong := checkFile(t, c.path()); len(wrong) > 0 {
			t.Fatalf("before: %s", strings.Join(wrong, "\n"))
		}
		if err := x.commit(c); err != nil {
			t.Fatalf("%s: %v", x.name, err)
		}
		tried++
		wrong := checkFile(t, c.path())
		if len(wrong) == 0 {
			t.Errorf("%s: the check does not find it", x.name)
			continue
		}
		if !x.sealed {
			found++
			t.Logf("%s: the check finds %d: %s", x.name, len(wrong), wrong[0])
			continue
		}
		c.forget()
		if wrong := checkFile(t, c.path()); len(wrong) > 0 {
			t.Errorf("%s: it is not sealed, the check finds %s", x.name, wrong[0])
		}
		var alarm error
		for _, w := range c.rigs {
			if _, err := c.deliver(w); errors.Is(err, audit.ErrAlarm) {
				alarm = err
			}
		}
		if alarm == nil {
			t.Errorf("%s: no rig finds it", x.name)
			continue
		}
		found++
		t.Logf("%s: the check finds %s; without what lies beside it a rig says: %v", x.name, wrong[0], alarm)
	}
	t.Logf("found %d of %d", found, tried)
	if found != tried || tried != len(all) {
		t.Errorf("found %d of %d", found, tried)
	}
}

func checkFile(t testing.TB, path string) (wrong []string) {
	t.Helper()
	_, err := collect.CheckFile(context.Background(), path, "", func(where, what string) { wrong = append(wrong, where+": "+what) }, nil)
	if err != nil {
		t.Error(err)
	}
	return wrong
}
