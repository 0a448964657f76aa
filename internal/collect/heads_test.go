package collect_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// keyIn is the key of the trail in a collector's folder.
func keyIn(t testing.TB, dir string) ed25519.PrivateKey {
	key, err := collect.LoadKey(filepath.Join(dir, "trail.key"), false)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// headBy is a head over 40 entries that were never kept.
func headBy(t testing.TB, origin string, key ed25519.PrivateKey) []byte {
	s, err := trail.NewSigner(origin, key)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := trail.SignHead(trail.Head{Origin: origin, Size: 40, Root: trail.Hash{1}}, s)
	if err != nil {
		t.Fatal(err)
	}
	return msg
}

// TestShownHeads: only a head that the collector's own key signed makes it stop
// keeping, until somebody says why.
func TestShownHeads(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	connect := func() *collect.Connection {
		conn, err := collect.Embedded(ctx, dir, labtest.Quiet())
		if err != nil {
			t.Fatal(err)
		}
		return conn
	}
	conn := connect()
	heron := labtest.NewRig("heron", labtest.Rand(t))
	send := func(conn *collect.Connection) error {
		run := heron.Finish(labtest.Shape{Bare: true, Plain: true})
		_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
		return err
	}
	if err := send(conn); err != nil {
		t.Fatal(err)
	}
	x, err := deliver.AskHead(ctx, conn)
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(x.VerifierKey)
	if err != nil {
		t.Fatal(err)
	}
	head := func(key ed25519.PrivateKey) []byte { return headBy(t, v.Name(), key) }
	own := head(keyIn(t, dir))
	// What others signed, or nobody, stops nothing.
	altered := append([]byte{}, own...)
	altered[len(v.Name())+1] = '5' // the size
	for _, lie := range [][]byte{nil, []byte("junk"), head(heron.Key), altered} {
		if x, err := deliver.AskHead(ctx, conn, lie); err != nil || len(x.Consistency[0]) > 0 {
			t.Errorf("%q: %+v, %v", lie, x, err)
		}
	}
	if err := send(conn); err != nil {
		t.Errorf("after lies: %v", err)
	}
	// What it signed itself does.
	if _, err := deliver.AskHead(ctx, conn, own); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := send(conn); !errors.Is(err, deliver.ErrUnreachable) || !strings.Contains(err.Error(), "put back behind a head that it had signed: signed 40 ") {
			t.Errorf("delivered: %v", err)
		}
		rigs, err := answer.NewClient(conn).Rigs(ctx)
		if err != nil || len(rigs) != 1 || rigs[0].Runs != 2 {
			t.Errorf("questions: %+v, %v", rigs, err)
		}
		conn.Close()
		conn = connect() // it remembers
	}
	conn.Close()
	if wrong := checkFile(t, filepath.Join(dir, collect.ArchiveFile)); len(wrong) != 1 || !strings.HasPrefix(wrong[0], "head: one over 40 entries was signed") {
		t.Errorf("check: %q", wrong)
	}
	r := collect.Restoring{Dir: dir, By: "keeper", Why: "the disk was lost"}
	if _, err := collect.Restore(ctx, r, nil, nil); !errors.Is(err, collect.ErrBehind) {
		t.Errorf("without being told: %v", err)
	}
	r.Behind = true
	got, err := collect.Restore(ctx, r, nil, nil)
	if err != nil || got.Behind == nil || len(got.Behind.GivenUp) != 1 || got.Behind.GivenUp[0] != string(own) || got.Head.Size != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	conn = connect()
	defer conn.Close()
	if err := send(conn); err != nil {
		t.Errorf("after it was settled: %v", err)
	}
	if _, err := deliver.AskHead(ctx, conn, own); err != nil { // a rig that has not heard yet
		t.Error(err)
	}
	if err := send(conn); err != nil {
		t.Errorf("a head that was given up stops it again: %v", err)
	}
	if names, _ := os.ReadDir(filepath.Join(dir, "seen")); len(names) > 0 {
		t.Errorf("left behind: %v", names)
	}
}

// TestLastHeadIsNoted: the last of several entries that came at once is written down
// beside the archive while the collector is served, though none follows it, also where
// that did not work at first.
func TestLastHeadIsNoted(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir)
	conn := labtest.DialOwner(t, address, dir)
	path := filepath.Join(dir, "head")
	noted := func() {
		t.Helper()
		want, _ := headAt(t, conn)
		insist(t, "write it down", func(context.Context) error {
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			if said := string(b); !strings.Contains(said, "\n"+want.Root.String()+"\n") {
				return fmt.Errorf("of a head over %d entries it says %q", want.Size, said)
			}
			return nil
		})
	}
	for seed := range uint64(8) {
		keepOne(t, conn, seed)
	}
	noted()

	if err := errors.Join(os.Remove(path), os.Mkdir(path, 0o700)); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second) // for the next entry to be written down at once
	keepOne(t, conn, 8)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	noted()
}

// TestShownOverAndOver: a head that cannot be written down stops the collector all the
// same, is told of once, however often it is shown, and is written once that works.
func TestShownOverAndOver(t *testing.T) {
	dir, log := t.TempDir(), &shared{}
	conn, err := collect.Embedded(t.Context(), dir, slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	x, err := deliver.AskHead(t.Context(), conn)
	if err != nil {
		t.Fatal(err)
	}
	seen := filepath.Join(dir, "seen")
	if err := os.WriteFile(seen, nil, 0o600); err != nil { // where a folder should be
		t.Fatal(err)
	}
	name, _, _ := strings.Cut(x.VerifierKey, "+")
	show := func() {
		if _, err := deliver.AskHead(t.Context(), conn, headBy(t, name, keyIn(t, dir))); err != nil {
			t.Fatal(err)
		}
	}
	for range 5 {
		show()
	}
	for _, said := range []string{"cannot be written down", "nothing is kept until this is settled"} {
		if n := strings.Count(log.String(), said); n != 1 {
			t.Errorf("%q is said %d times: %s", said, n, log.String())
		}
	}
	if err := os.Remove(seen); err != nil {
		t.Fatal(err)
	}
	show()
	if names, err := os.ReadDir(seen); len(names) != 1 {
		t.Errorf("%v, %v", names, err)
	}
}
