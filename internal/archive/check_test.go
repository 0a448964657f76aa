package archive_test

import (
	"bytes"
	"context"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

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
	for name, damage := range map[string]func(*bolt.Tx, *bolt.Bucket) error{
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
	} {
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
