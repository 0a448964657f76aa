package collect_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// plainly leaves setups out, so that the trail has the runs' entries and no other.
var plainly = labtest.Shape{Plain: true, Bare: true, LogBytes: 500}

// crime is a collector's folder after two rigs have delivered to it, and what one
// who has its disk may do there. Nothing of it goes through package archive.
type crime struct {
	t    testing.TB
	dir  string
	rigs []witness
	runs []labtest.Run // in the order of the trail
	rand *labtest.Rig  // of an honest rig that delivers elsewhere
	half []byte        // the archive's file when half of the runs were in it
}

// witness is a rig with its own memory of the trail.
type witness struct {
	*labtest.Rig
	*audit.Auditor
}

func newCrime(t testing.TB) *crime {
	c := &crime{t: t, dir: filepath.Join(t.TempDir(), "archive")}
	r := labtest.Rand(t)
	for _, name := range []string{"heron", "plover"} {
		a, err := audit.Open(filepath.Join(t.TempDir(), name), time.Now)
		if err != nil {
			t.Fatal(err)
		}
		c.rigs = append(c.rigs, witness{labtest.NewRig(name, r), a})
	}
	c.rand = labtest.NewRig("heron", r)
	for round := range 5 {
		if b, err := os.ReadFile(c.path()); err == nil && round == 3 {
			c.half = b
		}
		for i := range c.rigs {
			run, err := c.deliver(c.rigs[i])
			if err != nil {
				t.Fatal(err)
			}
			c.runs = append(c.runs, run)
		}
	}
	return c
}

// deliver lets a rig deliver its next run, as an agent does.
func (c *crime) deliver(w witness) (labtest.Run, error) {
	ctx := context.Background()
	conn, err := collect.Embedded(ctx, c.dir, labtest.Quiet())
	if err != nil {
		return labtest.Run{}, err
	}
	defer conn.Close()
	met, err := w.Meet(ctx, conn, "127.0.0.1:7410")
	if err != nil {
		return labtest.Run{}, err
	}
	run := w.Finish(plainly)
	_, err = met.Send(ctx, run.Signed, run.Parts())
	return run, err
}

func (c *crime) path() string { return filepath.Join(c.dir, collect.ArchiveFile) }

// write changes the archive behind everybody's back.
func (c *crime) write(f func(tx *bolt.Tx) error) error {
	db, err := bolt.Open(c.path(), 0o600, &bolt.Options{Timeout: 5 * time.Second})
	if err != nil {
		return err
	}
	return errors.Join(db.Update(f), db.Close())
}

// forget takes away what tells of the trail beside the archive.
func (c *crime) forget() {
	for _, name := range []string{"head", "seen"} {
		if err := os.RemoveAll(filepath.Join(c.dir, name)); err != nil {
			c.t.Fatal(err)
		}
	}
}

func bucket(tx *bolt.Tx, names ...string) *bolt.Bucket {
	b := tx.Bucket([]byte(names[0]))
	for _, n := range names[1:] {
		b = b.Bucket([]byte(n))
	}
	return b
}

func packed(b []byte) []byte {
	w, err := zstd.NewWriter(nil)
	if err != nil {
		panic(err)
	}
	return w.EncodeAll(b, nil)
}

// put gives a run another record, with everything that hangs on its hash but the
// trail, and a seal that holds.
func (c *crime) put(tx *bolt.Tx, run labtest.Run, s record.Signed, data []byte) error {
	b := bucket(tx, "runs", run.ID)
	old := run.Signed.SHA256()
	sum := s.SHA256()
	errs := []error{
		b.Put([]byte("record"), packed(s.Bytes)), b.Put([]byte("public_key"), s.PublicKey), b.Put([]byte("signature"), s.Signature),
		bucket(tx, "hashes").Delete(old[:]), bucket(tx, "hashes").Put(sum[:], []byte(run.ID)),
	}
	if data != nil {
		errs = append(errs, b.Put(append([]byte("parts\x00"+run.Attachments[0].Name+"\x00"), 0, 0, 0, 0), packed(data)))
	}
	return errors.Join(append(errs, seal(b))...)
}

// remove takes a run out of everything but the trail.
func (c *crime) remove(tx *bolt.Tx, run labtest.Run) error {
	at := bytes.Clone(bucket(tx, "runs", run.ID).Get([]byte("at")))
	sum := run.Signed.SHA256()
	errs := []error{bucket(tx, "runs").DeleteBucket([]byte(run.ID)), bucket(tx, "hashes").Delete(sum[:]), bucket(tx, "summary").Delete(at)}
	for _, name := range []string{"tails", "by/time", "by/rig", "by/workload", "by/workload+rig", "by/setup"} {
		var gone [][]byte
		errs = append(errs, bucket(tx, name).ForEach(func(k, _ []byte) error {
			if bytes.HasSuffix(k, []byte(run.ID)) {
				gone = append(gone, bytes.Clone(k))
			}
			return nil
		}))
		for _, k := range gone {
			errs = append(errs, bucket(tx, name).Delete(k))
		}
	}
	return errors.Join(append(errs, c.recount(tx))...)
}

// recount makes what is kept of the rigs fit the runs that are there.
func (c *crime) recount(tx *bolt.Tx) error {
	count := map[string]archive.Rig{}
	for _, run := range c.runs {
		if bucket(tx, "runs", run.ID) == nil {
			continue
		}
		b := bucket(tx, "runs", run.ID)
		r := count[run.Rig]
		r.Name = run.Rig
		r.Runs++
		if !run.Started.Before(r.LastStarted) {
			r.LastRun, r.LastStarted, r.Key, r.Played = run.ID, run.Started, bytes.Clone(b.Get([]byte("public_key"))), run.Played != ""
			f := strings.Split(string(bucket(tx, "by/time").Get(b.Get([]byte("at")))), "\x00")
			r.LastSetup, r.LastStanding = f[2], f[3]
		}
		count[run.Rig] = r
	}
	for name, r := range count {
		j, err := json.Marshal(r)
		if err == nil {
			err = bucket(tx, "rigs").Put([]byte(name), j)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// rebuild signs a new tree over the leaves, with the key that lies in the folder,
// and gives every run that is there a new receipt: nothing in the archive is left
// that does not fit.
func (c *crime) rebuild(tx *bolt.Tx, leaves [][]byte) error {
	key, err := collect.LoadKey(filepath.Join(c.dir, "trail.key"), false)
	if err != nil {
		return err
	}
	origin := string(bucket(tx, "meta").Get([]byte("origin")))
	signer, err := trail.NewSigner(origin, key)
	if err != nil {
		return err
	}
	for _, name := range []string{"trail/leaves", "trail/hashes"} {
		if err := errors.Join(tx.DeleteBucket([]byte(name)), second(tx.CreateBucket([]byte(name)))); err != nil {
			return err
		}
	}
	var hashes trail.Hashes
	for i, leaf := range leaves {
		more, err := tlog.StoredHashes(int64(i), leaf, hashes)
		if err != nil {
			return err
		}
		for _, h := range more {
			if err := bucket(tx, "trail/hashes").Put(number(len(hashes)), h[:]); err != nil {
				return err
			}
			hashes = append(hashes, h)
		}
		if err := bucket(tx, "trail/leaves").Put(number(i), leaf); err != nil {
			return err
		}
		head := trail.Head{Origin: origin, Size: int64(i + 1)}
		if head.Root, err = tlog.TreeHash(head.Size, hashes); err != nil {
			return err
		}
		signed, err := trail.SignHead(head, signer)
		if err != nil {
			return err
		}
		if err := bucket(tx, "trail").Put([]byte("head"), signed); err != nil {
			return err
		}
		e, err := trail.ParseEntry(leaf)
		if err != nil {
			return err
		}
		r, err := trail.Issue(leaf, int64(i), head, signed, hashes)
		if err != nil {
			return err
		}
		j, err := json.Marshal(r)
		if b := bucket(tx, "runs", e.Subject); err == nil && b != nil {
			err = errors.Join(b.Put([]byte("receipt"), j), seal(b))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// seal makes the hash of a run's bucket fit again.
func seal(run *bolt.Bucket) error {
	h := sha256.New()
	err := run.ForEach(func(k, v []byte) error {
		if string(k) != "seal" {
			h.Write(binary.BigEndian.AppendUint32(nil, uint32(len(k))))
			h.Write(k)
			h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(v))))
			h.Write(v)
		}
		return nil
	})
	return errors.Join(err, run.Put([]byte("seal"), h.Sum(nil)))
}

func second[T any](_ T, err error) error { return err }

func number(n int) []byte { return []byte{0, 0, 0, 0, 0, 0, byte(n >> 8), byte(n)} }

// leaves gives the entries as they are.
func leavesOf(tx *bolt.Tx) (out [][]byte) {
	bucket(tx, "trail/leaves").ForEach(func(_, v []byte) error { out = append(out, bytes.Clone(v)); return nil })
	return out
}

// about gives the leaf with another digest, length and time.
func about(leaf []byte, s record.Signed) []byte {
	e, err := trail.ParseEntry(leaf)
	if err != nil {
		panic(err)
	}
	e.Digest, e.Length = s.SHA256(), int64(len(s.Bytes))
	b, err := e.Marshal()
	if err != nil {
		panic(err)
	}
	return b
}

// another gives a run's record with another log, signed anew by key.
func another(run labtest.Run, key ed25519.PrivateKey, g *labtest.Rig) (record.Signed, []byte) {
	data := bytes.Replace(run.Data[0], []byte("1"), []byte("2"), 3)
	changed := *run.Run
	changed.Attachments = append([]record.Attachment{}, run.Attachments...)
	changed.Attachments[0] = record.Attach(run.Attachments[0].Name, run.Attachments[0].Kind, data)
	forger := *g
	forger.Key = key
	return forger.Sign(&changed, [][]byte{data}).Signed, data
}
