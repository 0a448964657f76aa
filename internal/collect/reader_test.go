package collect_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// TestReadCopy: with the source gone, its analysts read from the copy, who is
// revoked is not let in once that was copied, and nobody can write to it or be
// made to take it for the collector.
func TestReadCopy(t *testing.T) {
	t.Cleanup(collect.ToldFor(time.Hour)) // who comes before his key is copied keeps his connection
	root := t.TempDir()
	dir, copyDir := filepath.Join(root, "archive"), filepath.Join(root, "copy")
	address, stopSource := labtest.Serve(t, dir)
	owner := labtest.DialOwner(t, address, dir)
	r := labtest.Rand(t)
	heron := labtest.NewRig("heron", r)
	ids := map[string]trust.Identity{}
	for _, m := range []trust.Member{{Role: trust.Rig, Name: "heron"}, {Role: trust.Analyst, Name: "swift"}, {Role: trust.Analyst, Name: "dunlin"}, {Role: trust.Keeper, Name: "wren"}, {Role: trust.Witness, Name: "lark"}} {
		key := labtest.Key(r)
		if m.Role == trust.Rig {
			key = heron.Key
		}
		ids[m.Name] = labtest.Enrol(t, owner, m, key)
	}
	run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 900})
	if _, err := deliver.Send(t.Context(), labtest.DialAs(t, address, ids["heron"]), run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ready, ended := make(chan string, 1), make(chan error, 1)
	only := func(name string) func() []trust.Identity {
		return func() []trust.Identity { return []trust.Identity{ids[name]} }
	}
	go func() {
		ended <- collect.Follow(ctx, collect.Following{
			Dir: copyDir, Source: address, Listen: "127.0.0.1:0", Log: labtest.Quiet(), Ready: func(a string) { ready <- a },
			As:   func() (trust.Identity, bool) { return ids["lark"], true },
			Dial: func(a string) (*collect.Connection, error) { return collect.Dial(a, only("lark")) },
		})
	}()
	var copied string
	select {
	case copied = <-ready:
	case err := <-ended:
		t.Fatal(err)
	}
	reader := func(name string, met func(trust.Member)) *collect.Connection {
		t.Helper()
		conn, err := collect.DialToRead(copied, only(name), met)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return conn
	}
	nobody := func(trust.Member) {}
	runs := func(conn *collect.Connection) (n int, err error) {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		err = answer.NewClient(conn).Runs(ctx, answer.Query{}, func(answer.Summary) error { n++; return nil })
		return n, err
	}
	var met trust.Member
	swift := reader("swift", func(m trust.Member) { met = m })
	dunlin := reader("dunlin", nobody)
	insist(t, "read", func(context.Context) error {
		n, err := runs(swift)
		if err == nil && n != 1 {
			err = fmt.Errorf("%d runs", n)
		}
		return err
	})
	if met != ids["lark"].Member {
		t.Errorf("met %v", met)
	}
	if _, err := runs(dunlin); err != nil {
		t.Error(err)
	}
	// As the commands do it: by the folder of somebody who knows one collector alone.
	desk := t.TempDir()
	if _, err := collect.Join(t.Context(), address, desk, labtest.Token(t, owner, trust.Member{Role: trust.Analyst, Name: "wagtail"}, time.Hour)); err != nil {
		t.Fatal(err)
	}
	insist(t, "read by a folder", func(ctx context.Context) error {
		conn, err := collect.DialReading(ctx, copied, desk, func(err error) { t.Error(err) }, nobody)
		if err != nil {
			return err
		}
		defer conn.Close()
		n, err := runs(conn)
		if err == nil && n != 1 {
			err = fmt.Errorf("%d runs", n)
		}
		return err
	})
	// A revocation counts once it is copied, also over a connection that is open.
	if _, err := enrol.Revoke(t.Context(), owner, address, "dunlin", "wren", "moved away"); err != nil {
		t.Fatal(err)
	}
	insist(t, "the revocation copied", func(context.Context) error {
		if _, err := runs(dunlin); err == nil || !strings.Contains(err.Error(), "moved away") {
			return fmt.Errorf("read: %v", err)
		}
		return nil
	})
	stopSource()
	if n, err := runs(swift); n != 1 || err != nil {
		t.Errorf("without the source: %d, %v", n, err)
	}
	if h, ok := headAt(t, reader("wren", nobody)); !ok || h.Size == 0 {
		t.Errorf("the keeper: %v, %v", h, ok)
	}
	refused := func(what, says string, err error) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v; want %q", what, err, says)
		}
	}
	const isCopy = "is only read"
	wren := reader("wren", nobody)
	_, _, err := answer.NewClient(wren).AcceptMark(t.Context(), run.ID, "wren", "checked")
	refused("mark", isCopy, err)
	_, _, err = answer.NewClient(wren).Retract(t.Context(), run.ID, "wren", "the lamp was on")
	refused("retract", isCopy, err)
	_, err = enrol.IssueToken(t.Context(), wren, copied, enrol.Wanted{Member: trust.Member{Role: trust.Rig, Name: "plover"}, Life: time.Hour, By: "wren"})
	refused("token", isCopy, err)
	_, err = enrol.Revoke(t.Context(), wren, copied, "swift", "wren", "no")
	refused("revoke", isCopy, err)
	_, err = enrol.Renew(t.Context(), wren, ids["wren"])
	refused("renew", isCopy, err)
	refused("cosign", isCopy, follow.Cosign(t.Context(), reader("lark", nobody), newWitness(t), []byte("no head")))
	_, err = deliver.Send(t.Context(), reader("heron", nobody), run.Signed, run.Parts())
	refused("a rig that would take a copy", isCopy, err)
	_, err = runs(reader("heron", nobody))
	refused("a rig that reads", "may not call ListRuns", err)

	// A rig, and whoever decides, takes no copy for the collector.
	const notCollector = "it is witness lark, and not a collector"
	for _, name := range []string{"heron", "wren"} {
		conn, err := collect.Dial(copied, only(name))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		_, err = deliver.Send(t.Context(), conn, run.Signed, run.Parts())
		refused(name, notCollector, err)
	}
	if conn, err := collect.DialToJoin(copied, trust.FingerprintOf(ids["lark"].Authority)); err != nil {
		t.Error(err)
	} else {
		_, err = enrol.Join(t.Context(), conn, copied, trust.Token{Member: trust.Member{Role: trust.Analyst, Name: "dunlin"}, Authority: trust.FingerprintOf(ids["lark"].Authority)}, labtest.Key(r))
		refused("login", "not the one that the token is from", err)
		conn.Close()
	}
	// Nor does who reads, where the collector itself was enrolled.
	here := ids["swift"]
	here.Collector = copied
	conn, err := collect.DialToRead(copied, func() []trust.Identity { return []trust.Identity{here} }, nobody)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_, err = runs(conn)
	refused("in the collector's place", notCollector, err)
	// Who has the copy's folder is its owner as ever.
	if n, err := runs(dialled(t, collect.ServedAt(copyDir), copyDir)); n != 1 || err != nil {
		t.Errorf("the owner: %d, %v", n, err)
	}
	// The source's owner is none of the copy's.
	stop()
	if err := <-ended; err != nil && !errors.Is(err, deliver.ErrUnreachable) {
		t.Error(err)
	}
}
