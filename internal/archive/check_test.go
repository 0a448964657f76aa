package archive_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/archive"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// TestCheckFinds does one kind of damage at a time.
func TestCheckFinds(t *testing.T) {
	bucket := func(tx *bolt.Tx, name string) *bolt.Bucket { return tx.Bucket([]byte(name)) }
	first := func(b *bolt.Bucket) []byte { k, _ := b.Cursor().First(); return bytes.Clone(k) }
	drop := func(name string) func(*bolt.Tx, *bolt.Bucket) error {
		return func(tx *bolt.Tx, _ *bolt.Bucket) error { b := bucket(tx, name); return b.Delete(first(b)) }
	}
	set := func(key string, f func(old []byte) []byte) func(*bolt.Tx, *bolt.Bucket) error {
		return func(_ *bolt.Tx, run *bolt.Bucket) error {
			c := run.Cursor()
			k, v := c.Seek([]byte(key))
			return run.Put(bytes.Clone(k), f(bytes.Clone(v)))
		}
	}
	flip := func(b []byte) []byte { b[len(b)/2] ^= 1; return b }
	for name, damage := range labtest.InOrder(map[string]func(*bolt.Tx, *bolt.Bucket) error{
		"leaf gone":          drop("trail/leaves"),
		"tree hash gone":     drop("trail/hashes"),
		"hash row gone":      drop("hashes"),
		"tail row gone":      drop("tails"),
		"summary gone":       drop("summary"),
		"time row gone":      drop("by/time"),
		"rig row gone":       drop("by/rig"),
		"workload row gone":  drop("by/workload"),
		"both row gone":      drop("by/workload+rig"),
		"setup row gone":     drop("by/setup"),
		"rig gone":           drop("rigs"),
		"run gone":           func(tx *bolt.Tx, _ *bolt.Bucket) error { b := bucket(tx, "runs"); return b.DeleteBucket(first(b)) },
		"record altered":     set("record", flip),
		"signature altered":  set("signature", flip),
		"key altered":        set("public_key", flip),
		"receipt altered":    set("receipt", func(b []byte) []byte { return bytes.Replace(b, []byte(`"Index":`), []byte(`"Index":1`), 1) }),
		"attachment altered": set("parts", flip),
		"attachment cut":     set("parts", func(b []byte) []byte { return b[:len(b)-1] }),
		"stray row": func(tx *bolt.Tx, _ *bolt.Bucket) error {
			b := bucket(tx, "by/rig")
			_, v := b.Cursor().First()
			return b.Put([]byte("heron\x0012345678nobody"), bytes.Clone(v))
		},
		"entry about no record": func(tx *bolt.Tx, _ *bolt.Bucket) error {
			b := bucket(tx, "trail/leaves")
			k, v := b.Cursor().Last()
			k = bytes.Clone(k)
			k[7]++
			return b.Put(k, bytes.Clone(v))
		},
	}) {
		a := fresh(t)
		heron := labtest.NewRig("heron", labtest.Rand(t))
		for range 3 {
			keep(t, a, keeping(heron.Finish(labtest.Shape{Plain: true, LogBytes: 500})))
		}
		checkAll(t, a, 3, 3)
		if err := a.Damage(func(tx *bolt.Tx) error {
			runs := bucket(tx, "runs")
			return damage(tx, runs.Bucket(first(runs)))
		}); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if _, err := a.Check(context.Background()); err == nil || !strings.HasPrefix(err.Error(), "check archive: ") {
			t.Errorf("%s: not found (%v)", name, err)
		}
		a.Close()
	}
}

// TestAlteredAttachment: what cannot be unpacked is said to be altered, once, and a
// reader is told what to do.
func TestAlteredAttachment(t *testing.T) {
	a := fresh(t)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 500})
	keep(t, a, keeping(run))
	name := run.Parts()[0].Name
	if err := a.Damage(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("runs")).Bucket([]byte(run.ID))
		k, v := b.Cursor().Seek([]byte("parts\x00" + name))
		return b.Put(bytes.Clone(k), v[:len(v)-1])
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Part(run.ID, name); err == nil || !strings.Contains(err.Error(), "it was altered where it is kept") || fault.HintOf(err) != archive.CheckHint {
		t.Errorf("read: %v, hint %q", err, fault.HintOf(err))
	}
	var told []string
	_, err := a.Examine(t.Context(), archive.Examination{
		Found: func(f archive.Finding) { told = append(told, f.What) },
		Run: func(x archive.Examined) []string {
			if b, ok := x.Parts[name]; ok {
				t.Errorf("looked at deeper: %d bytes", len(b))
			}
			return nil
		},
	})
	told = slices.DeleteFunc(told, func(what string) bool { return !strings.HasPrefix(what, "attachment "+name+": it was altered") })
	if err != nil || len(told) != 1 {
		t.Errorf("%q, %v", told, err)
	}
}

// TestAlteredReceipt: no run is proved by it, and whoever asked is told what to do.
func TestAlteredReceipt(t *testing.T) {
	a := fresh(t)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 500})
	keep(t, a, keeping(run))
	if err := a.Damage(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte("runs")).Bucket([]byte(run.ID)).Put([]byte("receipt"), []byte("{"))
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Prove(run.ID, "", nil, nil); err == nil || !strings.Contains(err.Error(), "the receipt is damaged: ") || fault.HintOf(err) != archive.CheckHint {
		t.Errorf("%v, hint %q", err, fault.HintOf(err))
	}
}

// TestFindingsApart: of a run with several faults each is a finding, on a line.
func TestFindingsApart(t *testing.T) {
	a := fresh(t)
	keep(t, a, keeping(labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 500})))
	if err := a.Damage(func(tx *bolt.Tx) error {
		for _, name := range []string{"by/rig", "by/workload"} {
			b := tx.Bucket([]byte(name))
			k, _ := b.Cursor().First()
			if err := b.Delete(bytes.Clone(k)); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	var told []string
	if _, err := a.Examine(t.Context(), archive.Examination{Found: func(f archive.Finding) { told = append(told, f.What) }}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"its row in by/rig is missing or differs", "its row in by/workload is missing or differs"} {
		if !slices.Contains(told, want) {
			t.Errorf("not %q among %q", want, told)
		}
	}
}
