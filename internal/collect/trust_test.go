package collect_test

import (
	"context"
	"crypto/ed25519"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

var avocet = trust.Member{Role: trust.Rig, Name: "avocet"}

func TestRefusesWrongToken(t *testing.T) {
	w := newWorkshop(t)
	wrong := w.tokenFor(t, avocet, time.Hour)
	wrong.Secret[0] ^= 1
	w.refused(t, "token_unknown", "no such token was made here", func() error { return w.join(t, wrong) })
}

func TestRefusesExpiredToken(t *testing.T) {
	w := newWorkshop(t)
	tok := w.tokenFor(t, avocet, time.Second)
	time.Sleep(1100 * time.Millisecond)
	w.refused(t, "token_expired", "the token ended on", func() error { return w.join(t, tok) })
}

func TestRefusesTokenUsedTwice(t *testing.T) {
	w := newWorkshop(t)
	tok := w.tokenFor(t, avocet, time.Hour)
	if err := w.join(t, tok); err != nil {
		t.Fatal(err)
	}
	w.refused(t, "token_used", "the token was used already", func() error { return w.join(t, tok) })
}

func TestRefusesTokenForAnother(t *testing.T) {
	w := newWorkshop(t)
	tok := w.tokenFor(t, avocet, time.Hour)
	tok.Name = "curlew"
	w.refused(t, "token_of_another", "the token is for rig avocet, and rig curlew asks", func() error { return w.join(t, tok) })
	tok.Member = trust.Member{Role: trust.Keeper, Name: "avocet"}
	w.refused(t, "token_of_another", "the token is for rig avocet, and keeper avocet asks", func() error { return w.join(t, tok) })
}

// TestRefusesAnotherAuthority: a rig that has a certificate of another collector
// talks to neither; made to, it is turned away.
func TestRefusesAnotherAuthority(t *testing.T) {
	w := newWorkshop(t)
	pem, err := trust.NewAuthority(time.Now())
	if err != nil {
		t.Fatal(err)
	}
	other, err := trust.ParseAuthority(pem)
	if err != nil {
		t.Fatal(err)
	}
	der, err := other.Issue(trust.Member{Role: trust.Rig, Name: "heron"}, w.heron.Key.Public().(ed25519.PublicKey), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	foreign, err := trust.NewIdentity(w.heron.Key, der, other.Certificate(), w.address)
	if err != nil {
		t.Fatal(err)
	}
	run := w.heron.Finish(labtest.Shape{LogBytes: 10 << 10})
	w.refused(t, "handshake", "of another authority", func() error {
		conn := labtest.DialAs(t, w.address, foreign)
		defer conn.Close()
		_, err := deliver.Send(context.Background(), conn, run.Signed, run.Parts())
		return err
	})
	// It takes the collector for its own, and shows what it has.
	stubborn := collect.DialWith(t, w.address, w.ids["heron"], foreign)
	w.refused(t, "another_authority", "the certificate of rig heron is of another authority", func() error {
		_, err := deliver.Send(context.Background(), stubborn, run.Signed, run.Parts())
		return err
	})
}

func TestRefusesDeliveryUnderAnothersName(t *testing.T) {
	w := newWorkshop(t)
	heron := w.as(t, "heron")
	disguised := *w.heron
	disguised.Name = "plover" // with heron's own key
	run := disguised.Finish(labtest.Shape{LogBytes: 10 << 10})
	w.refused(t, "of_another", `the record is of rig "plover", and this is rig "heron"`, func() error {
		_, err := deliver.Send(context.Background(), heron, run.Signed, run.Parts())
		return err
	})
	stolen := w.plover.Finish(labtest.Shape{LogBytes: 10 << 10}) // signed by plover
	w.refused(t, "key_of_nobody", "the record's signature: the key is not one that was admitted for rig heron", func() error {
		_, err := deliver.Send(context.Background(), heron, stolen.Signed, stolen.Parts())
		return err
	})
	// Nor does it learn of what another has delivered, or beat for it.
	if _, err := deliver.Send(context.Background(), w.as(t, "plover"), stolen.Signed, stolen.Parts()); err != nil {
		t.Fatal(err)
	}
	stolen.Signed.PublicKey = w.heron.Key.Public().(ed25519.PublicKey)
	w.refused(t, "of_another", `the record is of rig "plover"`, func() error {
		_, err := deliver.Send(context.Background(), heron, stolen.Signed, stolen.Parts())
		return err
	})
	w.refused(t, "of_another", `the beat is of rig "plover", and this is rig "heron"`, func() error {
		return labtest.NewBeating("plover").Send(context.Background(), heron)
	})
	w.refused(t, "of_another", `the mark is of rig "plover", and this is rig "heron"`, func() error {
		_, _, err := answer.NewClient(heron).Mark(context.Background(), "plover", "memory-rated")
		return err
	})
	if err := labtest.NewBeating("heron").Send(context.Background(), heron); err != nil {
		t.Errorf("its own beat: %v", err)
	}
	own := w.heron.Finish(labtest.Shape{LogBytes: 10 << 10})
	for range 2 {
		if _, err := deliver.Send(context.Background(), heron, own.Signed, own.Parts()); err != nil {
			t.Errorf("its own run: %v", err)
		}
	}
}

func TestRefusesMarkOfAnalyst(t *testing.T) {
	w := newWorkshop(t)
	run := w.heron.Finish(labtest.Shape{LogBytes: 10 << 10, Setup: "memory-rated"})
	if _, err := deliver.Send(context.Background(), w.as(t, "heron"), run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	swift := answer.NewClient(w.as(t, "swift")).At(w.address)
	w.refused(t, "no_right", "analyst swift may not call AcceptMark, which is for keepers", func() error {
		_, _, err := swift.AcceptMark(context.Background(), run.ID, "swift", "it looks good")
		return err
	})
	if _, err := swift.Show(context.Background(), run.ID); err != nil {
		t.Errorf("an analyst reads: %v", err)
	}
	m, _, err := answer.NewClient(w.as(t, "wren")).AcceptMark(context.Background(), run.ID, "somebody", "it looks good")
	if err != nil || m.By != "wren" {
		t.Errorf("a keeper marks, as himself: %+v, %v", m, err)
	}
	_, err = answer.NewClient(w.as(t, "heron")).Show(context.Background(), run.ID)
	if !errors.Is(err, answer.ErrDenied) || fault.HintOf(err) == "" {
		t.Errorf("a rig does not read: %v", err)
	}
}

// TestNobodyDoesNothing calls without a certificate.
func TestNobodyDoesNothing(t *testing.T) {
	w := newWorkshop(t)
	conn, err := collect.DialToJoin(w.address, trust.FingerprintOf(w.ids["heron"].Authority))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	w.refused(t, "no_certificate", "it came without a certificate", func() error {
		_, err := answer.NewClient(conn).Rigs(context.Background())
		return err
	})
}

// TestRevocationEndsWhatIsOpen has a member be revoked in the middle of a
// delivery and of a stream that only listens.
func TestRevocationEndsWhatIsOpen(t *testing.T) {
	w := newWorkshop(t)
	heron, swift, wren := w.as(t, "heron"), w.as(t, "swift"), w.as(t, "wren")
	ctx := context.Background()
	listening := following(t, swift, nil)
	run := w.heron.Finish(labtest.Shape{LogBytes: 10 << 10})
	if _, err := deliver.Send(ctx, heron, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"heron", "swift"} {
		if n, err := enrol.Revoke(ctx, wren, w.address, name, "somebody", "sold"); err != nil || n != 1 {
			t.Fatalf("%d, %v", n, err)
		}
	}
	select {
	case err := <-listening.end:
		if err == nil {
			t.Error("the stream of somebody who is revoked ended well")
		}
	case <-time.After(time.Minute):
		t.Error("the stream of somebody who is revoked goes on")
	}
	w.refused(t, "key_revoked", "the key of rig heron was revoked on", func() error {
		for { // the connection that was closed is made anew
			_, err := deliver.Send(ctx, heron, run.Signed, run.Parts())
			if !errors.Is(err, deliver.ErrUnreachable) {
				return err
			}
		}
	})
	if _, err := answer.NewClient(swift).Rigs(ctx); !errors.Is(err, answer.ErrDenied) {
		t.Errorf("%v", err)
	}
	roll, err := enrol.Members(ctx, wren, w.address)
	all := roll.Members
	if err != nil || len(all) != 4 || all[0].Name != "heron" || all[0].Good() || all[0].Keys[0].Revoked.By != "wren" || !all[1].Good() {
		t.Errorf("%+v, %v", all, err)
	}
	// The name may come back with a new key, and what was kept stays proved.
	fresh := labtest.NewRig("heron", labtest.Rand(t))
	back := labtest.DialAs(t, w.address, labtest.Enrol(t, w.owner, trust.Member{Role: trust.Rig, Name: "heron"}, fresh.Key))
	next := fresh.Finish(labtest.Shape{LogBytes: 10 << 10})
	if _, err := deliver.Send(ctx, back, next.Signed, next.Parts()); err != nil {
		t.Error(err)
	}
	if n, err := answer.NewClient(w.owner).Check(ctx, func(where, what string) { t.Error(where, what) }, nil); err != nil || n.Runs < 2 {
		t.Errorf("%+v, %v", n, err)
	}
}

// TestRevokedKeeperStaysOut: what he handed out before ends with him.
func TestRevokedKeeperStaysOut(t *testing.T) {
	w := newWorkshop(t)
	ctx := context.Background()
	back := labtest.Token(t, w.as(t, "wren"), trust.Member{Role: trust.Keeper, Name: "lark"}, 24*time.Hour)
	if n, err := enrol.Revoke(ctx, w.owner, w.address, "wren", "owner", "has left us"); err != nil || n != 1 {
		t.Fatalf("%d, %v", n, err)
	}
	w.refused(t, "token_unknown", "no such token was made here", func() error { return w.join(t, back) })
}

// TestOwnerOfBefore: a copy of the owner's file is good for no longer than the file.
func TestOwnerOfBefore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	_, stop := labtest.Serve(t, dir)
	before := collect.Owner(dir)()
	stop()
	if len(before) != 1 {
		t.Fatalf("%d identities of the owner", len(before))
	}
	address, _ := labtest.Serve(t, dir)
	if _, err := enrol.Members(context.Background(), labtest.DialAs(t, address, before[0]), address); err == nil || !strings.Contains(err.Error(), "is another by now") {
		t.Errorf("an owner of before: %v", err)
	}
	if _, err := enrol.Members(context.Background(), labtest.DialOwner(t, address, dir), address); err != nil {
		t.Error(err)
	}
}

// TestEarlierKeyDelivers: a rig that enrolled anew still brings what the key
// before has signed.
func TestEarlierKeyDelivers(t *testing.T) {
	w := newWorkshop(t)
	waiting := w.heron.Finish(labtest.Shape{LogBytes: 10 << 10})
	id := labtest.Enrol(t, w.owner, trust.Member{Role: trust.Rig, Name: "heron"}, labtest.Key(labtest.Rand(t)))
	if _, err := deliver.Send(context.Background(), labtest.DialAs(t, w.address, id), waiting.Signed, waiting.Parts()); err != nil {
		t.Error(err)
	}
}

// TestRenewedTooOften: each certificate is kept, so that who asks all the time gets
// the one that it has.
func TestRenewedTooOften(t *testing.T) {
	w := newWorkshop(t)
	conn, id := w.as(t, "heron"), w.ids["heron"]
	ctx := context.Background()
	met := map[string]bool{string(id.Leaf.Raw): true}
	for range 30 {
		next, err := enrol.Renew(ctx, conn, id)
		if err != nil {
			t.Fatal(err)
		}
		met[string(next.Leaf.Raw)] = true
	}
	if len(met) != 8 {
		t.Errorf("%d certificates were made", len(met))
	}
	if _, err := enrol.Renew(ctx, w.as(t, "plover"), w.ids["plover"]); err != nil {
		t.Error(err)
	}
	if _, err := answer.NewClient(w.owner).Check(ctx, func(where, what string) { t.Error(where, what) }, nil); err != nil {
		t.Error(err)
	}
}

func TestRenew(t *testing.T) {
	w := newWorkshop(t)
	dir, id := t.TempDir(), w.ids["heron"]
	if err := enrol.Save(dir, id); err != nil {
		t.Fatal(err)
	}
	conn := w.as(t, "heron")
	same, err := enrol.Refresh(context.Background(), conn, dir, id, time.Now())
	if err != nil || !same.Leaf.Equal(id.Leaf) {
		t.Errorf("renewed at once: %v", err)
	}
	// Keep does it when two thirds are over, by the clock that it is given.
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	done := make(chan struct{})
	go func() {
		defer close(done)
		enrol.Keep(ctx, enrol.Keeping{
			Dir: dir, Who: func() ([]trust.Identity, error) { return enrol.Load(dir, id.Key) }, Log: labtest.Quiet(), Every: 10 * time.Millisecond,
			Now:     func() time.Time { return id.RenewAt().Add(time.Second) },
			Connect: func(address string) (grpc.ClientConnInterface, func(), error) { return conn, func() {}, nil },
		})
	}()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		got, err := enrol.Load(dir, id.Key)
		if err != nil || len(got) != 1 {
			t.Fatalf("%v, %v", got, err)
		}
		if !got[0].Leaf.Equal(id.Leaf) {
			stop()
			<-done
			if !got[0].Leaf.NotAfter.After(id.Leaf.NotAfter) && !got[0].Leaf.NotAfter.Equal(id.Leaf.NotAfter) || got[0].Member != id.Member {
				t.Errorf("%v until %v", got[0].Member, got[0].Leaf.NotAfter)
			}
			if _, err := deliver.AskHead(context.Background(), labtest.DialAs(t, w.address, got[0])); err != nil {
				t.Errorf("with what was renewed: %v", err)
			}
			return
		}
	}
	t.Error("it was not renewed")
}

// TestSiteAuthorityServes has the site's own authority certify members.
func TestSiteAuthorityServes(t *testing.T) {
	pem, err := trust.NewAuthority(time.Now())
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "site.pem")
	if err := os.WriteFile(file, pem, 0o600); err != nil {
		t.Fatal(err)
	}
	site, err := trust.ParseAuthority(pem)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "archive")
	address, _ := labtest.Serve(t, dir, collect.WithAuthority(file))
	tok := labtest.Token(t, labtest.DialOwner(t, address, dir), avocet, time.Hour)
	if tok.Authority != site.Fingerprint() {
		t.Error("the token is of another authority")
	}
	if _, err := os.Stat(filepath.Join(dir, "authority.pem")); err == nil {
		t.Error("it made one of its own beside it")
	}
	err = collect.Serve(context.Background(), t.TempDir(), "127.0.0.1:0", labtest.Quiet(), func(string) { t.Error("served") }, collect.WithAuthority("nowhere.pem"))
	if err == nil || fault.HintOf(err) == "" {
		t.Errorf("an authority that is not there: %v", err)
	}
}
