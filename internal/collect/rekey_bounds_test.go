package collect_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

func keepOne(t *testing.T, conn *collect.Connection, seed uint64) {
	t.Helper()
	run := labtest.NewRig("heron", labtest.Seeded(seed)).Finish(labtest.Shape{Bare: true, Plain: true})
	if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
}

// TestNextKeyIsNotThrownAway: while the trail's key waits for its place, nothing takes
// it away, be it readable or not; and it gets its place once there is one.
func TestNextKeyIsNotThrownAway(t *testing.T) {
	dir := t.TempDir()
	at, next, saved := filepath.Join(dir, "trail.key"), filepath.Join(dir, "trail.key.next"), filepath.Join(t.TempDir(), "saved")
	conn := embedded(t, dir)
	ask := answer.NewClient(conn)
	keepOne(t, conn, 1)
	// Nothing can be renamed onto a folder with something in it.
	if err := errors.Join(os.Rename(at, saved), os.MkdirAll(filepath.Join(at, "x"), 0o700)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ask.Rekey(t.Context(), "wren", "its year is over"); err != nil {
		t.Fatal(err)
	}
	key, err := os.ReadFile(next)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := ask.Rekey(t.Context(), "wren", "once more"); err == nil {
		t.Error("a second change passes over the one that has no place")
	}
	if err := os.WriteFile(next, []byte("a block that cannot be read"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ask.Rekey(t.Context(), "wren", "once more"); err == nil || !strings.Contains(err.Error(), "settle key") {
		t.Errorf("a key that cannot be read, and that may be the trail's: %v", err)
	}
	if _, err := os.Stat(next); err != nil {
		t.Errorf("it was taken away: %v", err)
	}
	if err := errors.Join(os.RemoveAll(at), conn.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := collect.Vouch(collect.Vouching{Dir: dir, By: "operator", Why: "it cannot be read"}); err == nil || !strings.Contains(err.Error(), "may be the key that the trail is signed with") {
		t.Errorf("it is called lost: %v", err)
	}
	if err := errors.Join(os.WriteFile(next, key, 0o600), os.Rename(saved, at)); err != nil {
		t.Fatal(err)
	}
	conn = embedded(t, dir)
	keepOne(t, conn, 2)
	conn.Close()
	if now, err := os.ReadFile(at); err != nil || string(now) != string(key) {
		t.Errorf("the next key has no place: %v", err)
	}
}

// TestKeyThatWasNotTaken: where the archive has not taken the next key, none is left that
// could be thought to be the trail's, and the present one goes on.
func TestKeyThatWasNotTaken(t *testing.T) {
	dir := t.TempDir()
	at, next := filepath.Join(dir, "trail.key"), filepath.Join(dir, "trail.key.next")
	conn := embedded(t, dir)
	ask := answer.NewClient(conn)
	keepOne(t, conn, 1)
	key, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := ask.Rekey(t.Context(), strings.Repeat("w", 300), "its year is over"); err == nil || !strings.Contains(err.Error(), "actor of 300 bytes") {
		t.Fatalf("an entry by nobody: %v", err)
	}
	if _, err := os.Stat(next); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a key is left: %v", err)
	}
	if now, err := os.ReadFile(at); err != nil || string(now) != string(key) {
		t.Errorf("the trail's key is another: %v", err)
	}
	keepOne(t, conn, 2)
	if _, _, err := ask.Rekey(t.Context(), "wren", "its year is over"); err != nil {
		t.Error(err)
	}
	keepOne(t, conn, 3)
	if err := conn.Close(); err != nil {
		t.Error(err)
	}
}

// TestKeyChangesWhileSomebodyWaits: who waits for an archive opens it with the key that it
// is signed with once it is free, though that had another when he came.
func TestKeyChangesWhileSomebodyWaits(t *testing.T) {
	dir := t.TempDir()
	conn := embedded(t, dir)
	keepOne(t, conn, 1)
	opened := make(chan error, 1)
	go func() {
		a, err := collect.OpenArchive(dir, 2*time.Minute)
		if err == nil {
			err = a.Close()
		}
		opened <- err
	}()
	time.Sleep(200 * time.Millisecond) // for it to read the present key; one that is later finds the next
	if _, _, err := answer.NewClient(conn).Rekey(t.Context(), "wren", "its year is over"); err != nil {
		t.Error(err)
	}
	if err := errors.Join(conn.Close(), <-opened); err != nil {
		t.Error(err)
	}
}

// TestNoWordForATrailThatWasPutBack: that the key is lost explains no head that the
// archive lacks; with the key gone it would look as if it had never been signed.
func TestNoWordForATrailThatWasPutBack(t *testing.T) {
	dir := t.TempDir()
	path, old := filepath.Join(dir, collect.ArchiveFile), filepath.Join(t.TempDir(), "old")
	conn := embedded(t, dir)
	keepOne(t, conn, 1)
	conn.Close()
	copyTo(t, path, old)
	conn = embedded(t, dir)
	keepOne(t, conn, 2)
	conn.Close()
	copyTo(t, old, path)
	if err := os.Remove(filepath.Join(dir, "trail.key")); err != nil {
		t.Fatal(err)
	}
	_, err := collect.Vouch(collect.Vouching{Dir: dir, By: "operator", Why: "it was on the same disk"})
	if err == nil || !strings.Contains(err.Error(), "put back behind a head that it had signed: signed 2 ") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "trail.key.next")); err == nil {
		t.Error("it has left a key")
	}
	elsewhere := t.TempDir() // which knows nothing of the head
	copyTo(t, old, filepath.Join(elsewhere, collect.ArchiveFile))
	if _, err := collect.Vouch(collect.Vouching{Dir: elsewhere, By: "operator", Why: "it was on the same disk"}); err != nil {
		t.Error(err)
	}
}

// TestKeeperOf: a keeper gives his word with his latest key; one of before is told of,
// and is not taken for nobody's, whose word would be the owner's.
func TestKeeperOf(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, stop := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	keeper, analyst := trust.Member{Role: trust.Keeper, Name: "wren"}, trust.Member{Role: trust.Analyst, Name: "swift"}
	wren := labtest.Enrol(t, owner, keeper, labtest.Key(labtest.Seeded(7)))
	swift := labtest.Enrol(t, owner, analyst, labtest.Key(labtest.Seeded(9)))
	next, err := enrol.Rotate(t.Context(), labtest.DialAs(t, address, wren), wren, labtest.Key(labtest.Seeded(8)))
	if err != nil {
		t.Fatal(err)
	}
	stop()
	stranger := next
	stranger.Key = labtest.Key(labtest.Seeded(10))
	for what, x := range map[string]struct {
		id   trust.Identity
		is   bool
		says string
	}{
		"the latest key":    {next, true, ""},
		"the key before":    {wren, false, "another key of keeper wren came after the one at hand"},
		"a key of nobody":   {stranger, false, ""},
		"somebody who asks": {swift, false, ""},
	} {
		is, err := collect.KeeperOf(dir, x.id)
		if is != x.is || (err == nil) != (x.says == "") || err != nil && (!strings.Contains(err.Error(), x.says) || fault.HintOf(err) == "") {
			t.Errorf("%s: %v, %v", what, is, err)
		}
	}
}

// TestKeepersDoNotUseUpTheKeys: a trail has so many keys; the last ones are the
// owner's.
func TestKeepersDoNotUseUpTheKeys(t *testing.T) {
	defer collect.KeepersMayRekey(2)()
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	wren := labtest.Enrol(t, owner, trust.Member{Role: trust.Keeper, Name: "wren"}, labtest.Key(labtest.Seeded(7)))
	keeper := answer.NewClient(labtest.DialAs(t, address, wren))
	for range 2 {
		if _, _, err := keeper.Rekey(t.Context(), "", "a year is over"); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := keeper.Rekey(t.Context(), "", "over and over"); err == nil || !strings.Contains(err.Error(), "the owner of the collector's folder alone") {
		t.Errorf("%v", err)
	}
	if _, _, err := answer.NewClient(owner).Rekey(t.Context(), "operator", "a year is over"); err != nil {
		t.Error(err)
	}
}

// TestNobodyJoinsWhileTheKeyChanges: the collector that is joined meanwhile would not
// know the new key.
func TestNobodyJoinsWhileTheKeyChanges(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	s := joined(t, owner)
	lock, err := collect.LockKey(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	token := labtest.Token(t, owner, heronRig, time.Hour)
	if _, err := collect.Join(t.Context(), address, s.dir, token); err == nil || !strings.Contains(err.Error(), "the key of this machine is being changed") {
		t.Errorf("%v", err)
	}
	if _, err := collect.RotateKey(context.Background(), s.dir); err == nil || !strings.Contains(err.Error(), "is being changed") {
		t.Errorf("%v", err)
	}
	lock.Close()
	if _, err := collect.Join(t.Context(), address, s.dir, token); err != nil {
		t.Errorf("the token is spent, or the key still locked: %v", err)
	}
}
