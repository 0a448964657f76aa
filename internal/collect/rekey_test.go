package collect_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
)

// rekeyUntilKilled changes the key of a folder's trail over and over, and keeps a
// run after each change.
func rekeyUntilKilled(args []string) error {
	ctx := context.Background()
	conn, err := collect.Embedded(ctx, args[0], labtest.Quiet())
	if err != nil {
		return err
	}
	seed, err := strconv.ParseUint(args[1], 10, 64)
	if err != nil {
		return err
	}
	rig := labtest.NewRig("heron", labtest.Seeded(seed))
	for {
		run := rig.Finish(labtest.Shape{Bare: true, Plain: true})
		if _, err := deliver.Send(ctx, conn, run.Signed, run.Parts()); err != nil {
			return err
		}
		fmt.Println(run.ID)
		if _, _, err := answer.NewClient(conn).Rekey(ctx, "wren", "over and over"); err != nil {
			return err
		}
	}
}

// TestKilledRekeying: wherever the change of a key is broken off, the folder opens,
// goes on with the key that the archive names, and a rig that looks once in a while
// walks along.
func TestKilledRekeying(t *testing.T) {
	kills := 25
	if testing.Short() || labtest.Race {
		kills = 8
	}
	dir, r := "", labtest.Rand(t)
	seen, err := audit.Open(t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	rig := labtest.NewRig("plover", r)
	waiting := 0 // lives that left a key without its place
	for i := range kills {
		if i%5 == 0 { // a trail takes so many keys and no more
			dir = t.TempDir()
		}
		c := labtest.Start(t, labtest.Role("rekeyer", dir, fmt.Sprint(r.Uint64())))
		c.Await(1+i%2+r.IntN(3), 60*time.Second) // every second life changes it for sure
		if !c.KillAfter(time.Duration(r.IntN(30)) * time.Millisecond) {
			t.Fatal("it ended by itself")
		}
		if _, err := os.Stat(filepath.Join(dir, "trail.key.next")); err == nil {
			waiting++
		}
		conn, err := collect.Embedded(t.Context(), dir, labtest.Quiet())
		if err != nil {
			t.Fatal(err)
		}
		met, err := seen.Meet(t.Context(), conn, filepath.Base(dir))
		if err != nil {
			t.Fatal(err)
		}
		run := rig.Finish(labtest.Shape{Bare: true, Plain: true})
		if _, err := met.Send(t.Context(), run.Signed, run.Parts()); err != nil {
			t.Fatal(err)
		}
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		if _, err := collect.CheckFile(t.Context(), filepath.Join(dir, collect.ArchiveFile), "", func(where, what string) { t.Error(where, what) }, nil); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(filepath.Join(dir, "trail.key.next")); err == nil {
			t.Error("a key still waits for its place")
		}
	}
	all, err := seen.Memories()
	walked := 0
	for _, m := range all {
		walked += len(m.Earlier)
	}
	if err != nil || walked < 2 {
		t.Errorf("the rig has walked over %d keys: %+v, %v", walked, all, err)
	}
	t.Logf("%d kills, %d between the new key and its place, %d keys", kills, waiting, walked)
}

// TestBackupFromBeforeTheKey: what is known outside the archive tells of one that
// was put back behind a change of its key, and going on without it is recorded.
func TestBackupFromBeforeTheKey(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	connect := func() (*collect.Connection, answer.Client) {
		conn, err := collect.Embedded(ctx, dir, labtest.Quiet())
		if err != nil {
			t.Fatal(err)
		}
		return conn, answer.NewClient(conn)
	}
	rig := labtest.NewRig("heron", labtest.Rand(t))
	send := func(conn *collect.Connection) error {
		run := rig.Finish(labtest.Shape{Bare: true, Plain: true})
		_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
		return err
	}
	conn, ask := connect()
	if err := send(conn); err != nil {
		t.Fatal(err)
	}
	oldKey, copied := filepath.Join(t.TempDir(), "old.key"), filepath.Join(t.TempDir(), "backup")
	copyTo(t, filepath.Join(dir, "trail.key"), oldKey)
	backup, err := os.Create(copied)
	if err == nil {
		err = ask.Backup(ctx, func(int64, string) (io.Writer, error) { return backup, nil })
	}
	if err == nil {
		_, _, err = ask.Rekey(ctx, "wren", "its year is over")
	}
	if err := errors.Join(err, backup.Close(), send(conn), conn.Close()); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, collect.ArchiveFile)); err != nil {
		t.Fatal(err)
	}
	found := func(where, what string) { t.Error(where, what) }
	r := collect.Restoring{File: copied, Dir: dir, By: "wren"}
	if _, err := collect.Restore(ctx, r, found, nil); !errors.Is(err, collect.ErrBehind) {
		t.Fatalf("it goes back behind heads of the new key: %v", err)
	}
	// Elsewhere a head of the new key is told to be of nobody, until the keys are there.
	head, err := os.ReadFile(filepath.Join(dir, "head"))
	if err != nil {
		t.Fatal(err)
	}
	e := collect.Restoring{File: copied, Dir: t.TempDir(), Heads: []collect.Shown{{File: "seen.head", Note: head}}, Behind: true, By: "wren", Why: "the disk was lost"}
	if _, err := collect.Restore(ctx, e, found, nil); err == nil || !strings.Contains(err.Error(), "seen.head: it is no head that a key of the trail") || fault.HintOf(err) == "" {
		t.Fatalf("a head that nobody can open is left out: %v", err)
	}
	if err := os.CopyFS(filepath.Join(e.Dir, "keys"), os.DirFS(filepath.Join(dir, "keys"))); err != nil {
		t.Fatal(err)
	}
	e.Behind = false
	if _, err := collect.Restore(ctx, e, found, nil); !errors.Is(err, collect.ErrBehind) {
		t.Fatalf("with the keys it goes back behind the head: %v", err)
	}

	r.Behind, r.Why = true, "the disk was lost"
	if _, err := collect.Restore(ctx, r, found, nil); err == nil || !strings.Contains(err.Error(), "not the key of the trail") {
		t.Fatalf("with the new key: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, "trail.key")); err != nil {
		t.Fatal(err)
	}
	r.Key = oldKey
	got, err := collect.Restore(ctx, r, found, nil)
	if err != nil || got.Behind == nil || len(got.Behind.GivenUp) < 2 {
		t.Fatalf("%+v, %v", got, err)
	}
	conn, ask = connect()
	if _, _, err := ask.Rekey(ctx, "wren", "once more"); err != nil {
		t.Error(err)
	}
	if err := errors.Join(send(conn), conn.Close()); err != nil {
		t.Error(err)
	}
	n, err := collect.CheckFile(ctx, filepath.Join(dir, collect.ArchiveFile), "", found, nil)
	if err != nil || n.Runs != 2 || n.Entries != 4 {
		t.Errorf("%+v, %v", n, err)
	}
}

func copyTo(t testing.TB, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestArchiveGoneAfterItsKey: a folder whose trail has changed its key and whose
// archive is gone begins no second trail of its own accord.
func TestArchiveGoneAfterItsKey(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	heron := labtest.NewRig("heron", labtest.Rand(t))
	send := func() error {
		conn, err := collect.Embedded(ctx, dir, labtest.Quiet())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		run := heron.Finish(labtest.Shape{Bare: true, Plain: true})
		_, err = deliver.Send(ctx, conn, run.Signed, run.Parts())
		return err
	}
	if err := send(); err != nil {
		t.Fatal(err)
	}
	conn, err := collect.Embedded(ctx, dir, labtest.Quiet())
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := answer.NewClient(conn).Rekey(ctx, "wren", "its year is over"); err != nil {
		t.Fatal(err)
	}
	conn.Close()
	// Who is killed while he begins another leaves it at any of these.
	path := filepath.Join(dir, collect.ArchiveFile)
	for left, leave := range map[string]func() error{
		"nothing":       func() error { return nil },
		"an empty file": func() error { return os.WriteFile(path, nil, 0o600) },
		"no buckets": func() error {
			db, err := bolt.Open(path, 0o600, nil)
			if err != nil {
				return err
			}
			return db.Close()
		},
	} {
		if err := errors.Join(os.Remove(path), leave()); err != nil {
			t.Fatal(err)
		}
		if err := send(); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "put back behind a head that it had signed") {
			t.Errorf("%s is left: %v", left, err)
		}
	}
}
