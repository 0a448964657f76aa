package collect_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// site is a collector in a folder, whose disk can be put back, and a copy of it.
type site struct {
	t            testing.TB
	dir, copyDir string
	proxy        *labtest.Proxy
	rig          *labtest.Rig
	stop         func()
}

func newCopiedSite(t testing.TB) *site {
	t.Helper()
	root := t.TempDir()
	s := &site{
		t: t, dir: filepath.Join(root, "archive"), copyDir: filepath.Join(root, "copy"),
		proxy: labtest.NewProxy(t, func() int64 { return -1 }), rig: labtest.NewRig("heron", labtest.Rand(t)),
	}
	s.serve()
	return s
}

// newPutBackSite makes one whose source was put back to a folder of before, and is served,
// once it had more runs, all of them copied.
func newPutBackSite(t testing.TB, more int) (s *site, older string) {
	t.Helper()
	s = newCopiedSite(t)
	s.send(2)
	older = s.save()
	s.send(more)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.putBack(older)
	s.serve()
	return s, older
}

func (s *site) serve() {
	s.t.Helper()
	address, stop := labtest.Serve(s.t, s.dir)
	s.proxy.Lead(address)
	s.stop = stop
}

func (s *site) send(n int) {
	s.t.Helper()
	conn := dialled(s.t, s.proxy.Address(), s.dir)
	for range n {
		run := s.rig.Finish(labtest.Shape{Plain: true, LogBytes: 500})
		insist(s.t, "deliver", func(ctx context.Context) error {
			_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
			return err
		})
	}
}

// save copies the disk of the collector, and goes on.
func (s *site) save() (saved string) {
	s.t.Helper()
	saved = filepath.Join(s.t.TempDir(), "saved")
	s.stop()
	if err := os.CopyFS(saved, os.DirFS(s.dir)); err != nil {
		s.t.Fatal(err)
	}
	s.serve()
	return saved
}

// putBack stops the collector and puts its disk back to what was saved.
func (s *site) putBack(saved string) {
	s.t.Helper()
	s.stop()
	if err := errors.Join(os.RemoveAll(s.dir), os.CopyFS(s.dir, os.DirFS(saved))); err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) head() trail.Head {
	s.t.Helper()
	h, ok := headAt(s.t, dialled(s.t, s.proxy.Address(), s.dir))
	if !ok {
		s.t.Fatal("the source does not answer")
	}
	return h
}

// following is the copying of the site.
func (s *site) following() collect.Following {
	return collect.Following{Dir: s.copyDir, Source: s.proxy.Address(), Log: labtest.Quiet(), Dial: owning(s.dir)}
}

// once copies what there is.
func (s *site) once() error {
	f := s.following()
	f.Once = true
	return collect.Follow(s.t.Context(), f)
}

// servedCopy is a copy that is made and served until it is stopped or the test is over.
type servedCopy struct {
	conn  *collect.Connection // of the copy's owner
	log   *shared
	stop  func()
	ended chan error // gives what the copying ended with
}

func (s *site) served(f collect.Following) servedCopy {
	s.t.Helper()
	ctx, stop := context.WithCancel(s.t.Context())
	c := servedCopy{log: &shared{}, stop: stop, ended: make(chan error, 1)}
	ready, over := make(chan string, 1), make(chan struct{})
	f.Listen, f.Ready, f.Log = "127.0.0.1:0", func(a string) { ready <- a }, slog.New(slog.NewTextHandler(c.log, nil))
	go func() {
		defer close(over)
		c.ended <- collect.Follow(ctx, f)
	}()
	s.t.Cleanup(func() { stop(); <-over })
	select {
	case a := <-ready:
		c.conn = dialled(s.t, a, f.Dir)
	case err := <-c.ended:
		s.t.Fatal(err)
	}
	return c
}

// catchesUp waits until a copy has come to a head.
func (s *site) catchesUp(copied *collect.Connection, want trail.Head) {
	s.t.Helper()
	insist(s.t, "catch up", func(context.Context) error {
		if h, _ := headAt(s.t, copied); h != want {
			return fmt.Errorf("the copy is at %v, the source at %v", h, want)
		}
		return nil
	})
}

// holds checks the copy in a folder, which must have come to a size.
func (s *site) holds(folder string, size int64) {
	s.t.Helper()
	kept, err := collect.OpenArchive(folder, 10*time.Second)
	if err != nil {
		s.t.Fatal(err)
	}
	defer kept.Close()
	if h, _, err := kept.Head(); err != nil || h.Size != size {
		s.t.Errorf("%s: %v, %v; want %d entries", folder, h, err, size)
	}
	if _, err := kept.Check(s.t.Context()); err != nil {
		s.t.Error(err)
	}
}

// TestAcceptSource: a source that was put back on purpose is followed again once
// that was explained, into a new copy; the one of before stays as it was.
func TestAcceptSource(t *testing.T) {
	s, _ := newPutBackSite(t, 3)
	want := s.head()
	var alarm audit.Alarm
	for range 2 {
		if err := s.once(); !errors.As(err, &alarm) {
			t.Fatal(err)
		}
	}
	if _, err := collect.AcceptSource(s.copyDir, "nobody", "wren", "no"); err == nil {
		t.Error("an alarm that is none is accepted")
	}
	a, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "the disk was lost")
	if err != nil || a.Aside == "" || a.Accepted == nil || a.Accepted.By != "wren" || a.Accepted.Why != "the disk was lost" {
		t.Fatalf("%+v, %v", a, err)
	}
	for _, name := range []string{"seen.head", "now.head", "accepted.json"} {
		if _, err := os.Stat(filepath.Join(a.Folder, name)); err != nil {
			t.Error(err)
		}
	}
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.holds(s.copyDir, want.Size)
	s.holds(a.Aside, alarm.Seen.Size)
	if _, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "again"); err == nil {
		t.Error("it is accepted twice")
	}
}

// TestAcceptOverwritesNoCopy: an explanation that was cut off once the copy was set
// aside, and given again when a new one had been begun, leaves the first as it was.
func TestAcceptOverwritesNoCopy(t *testing.T) {
	s := newCopiedSite(t)
	s.send(1)
	older := s.save()
	s.send(1)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.putBack(older)
	s.serve()
	var alarm audit.Alarm
	if err := s.once(); !errors.As(err, &alarm) {
		t.Fatal(err)
	}
	first := filepath.Join(s.copyDir, "aside", alarm.Name)
	if err := errors.Join(os.MkdirAll(first, 0o700), os.Rename(filepath.Join(s.copyDir, "archive.db"), filepath.Join(first, "archive.db"))); err != nil {
		t.Fatal(err)
	}
	if err := s.once(); !errors.Is(err, audit.ErrAlarm) {
		t.Fatal(err)
	}
	a, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "the disk was lost")
	if err != nil || a.Aside == "" || a.Aside == first {
		t.Errorf("%+v, %v", a, err)
	}
	s.holds(first, alarm.Seen.Size)
	if err := s.once(); err != nil {
		t.Error(err)
	}
}

// TestAcceptLostKey: where all that is new is a key on somebody's word, the copy goes
// on by it once its keeper says so, with all that it has.
func TestAcceptLostKey(t *testing.T) {
	s := newCopiedSite(t)
	s.send(3)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.send(2)
	s.stop()
	s.loseKey()
	s.serve()
	s.send(1)
	want := s.head()
	var alarm audit.Alarm
	if err := s.once(); !errors.As(err, &alarm) || len(alarm.Keys) != 1 {
		t.Fatalf("%+v, %v", alarm, err)
	}
	a, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "the stick is gone")
	if err != nil || a.Aside != "" || a.Accepted == nil {
		t.Fatalf("%+v, %v", a, err)
	}
	for range 2 {
		if err := s.once(); err != nil {
			t.Fatal(err)
		}
	}
	s.holds(s.copyDir, want.Size)
}

// TestAcceptLostKeyOfLess: with a lost key, and less than the copy has, the copy is
// set aside like any other.
func TestAcceptLostKeyOfLess(t *testing.T) {
	s := newCopiedSite(t)
	s.send(2)
	older := s.save()
	s.send(3)
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.putBack(older)
	s.loseKey()
	s.serve()
	want := s.head()
	var alarm audit.Alarm
	if err := s.once(); !errors.As(err, &alarm) {
		t.Fatal(err)
	}
	a, err := collect.AcceptSource(s.copyDir, alarm.Name, "wren", "disk and stick are gone")
	if err != nil || a.Aside == "" {
		t.Fatalf("%+v, %v", a, err)
	}
	if err := s.once(); err != nil {
		t.Fatal(err)
	}
	s.holds(s.copyDir, want.Size)
	s.holds(a.Aside, alarm.Seen.Size)
}

// loseKey has the owner vouch for the next key of a collector that is stopped.
func (s *site) loseKey() {
	s.t.Helper()
	if err := os.Remove(filepath.Join(s.dir, "trail.key")); err != nil {
		s.t.Fatal(err)
	}
	if _, err := collect.Vouch(collect.Vouching{Dir: s.dir, By: "wren", Why: "the stick is gone"}); err != nil {
		s.t.Fatal(err)
	}
}

// TestPutBackAndRekeyed: a source that was put back behind what a copy has, and
// changed its key there, is an alarm that names both heads, and takes nothing from the
// copy, although it had met the source last when that had even less.
func TestPutBackAndRekeyed(t *testing.T) {
	s := newCopiedSite(t)
	s.send(2)
	older := s.save()
	copied := s.served(s.following())
	s.send(4)
	want := s.head()
	s.catchesUp(copied.conn, want)
	s.putBack(older)
	conn, err := collect.Embedded(t.Context(), s.dir, labtest.Quiet())
	if err == nil {
		_, _, err = answer.NewClient(conn).Rekey(t.Context(), "wren", "its year is over")
		err = errors.Join(err, conn.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	s.serve()
	alarms, err := audit.Open(filepath.Join(s.copyDir, "source"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	insist(t, "alarm", func(context.Context) error {
		open, err := alarms.Open()
		if err == nil && (len(open) != 1 || open[0].Seen.Size != want.Size || open[0].Now.Size >= want.Size) {
			err = fmt.Errorf("%+v", open)
		}
		return err
	})
	copied.stop()
	if err := <-copied.ended; !errors.Is(err, audit.ErrAlarm) {
		t.Error(err)
	}
	s.holds(s.copyDir, want.Size)
}

// TestKilledBeforeItBegan: a copy whose file was made and nothing written into it
// begins all the same.
func TestKilledBeforeItBegan(t *testing.T) {
	s := newCopiedSite(t)
	s.send(2)
	for _, touch := range []func(path string) error{
		func(path string) error { return os.WriteFile(path, nil, 0o600) },
		func(path string) error { // the file is a database by then
			if a, err := archive.OpenFollowing(path, "", nil, archive.Options{Now: time.Now}); !errors.Is(err, archive.ErrNotBegun) {
				return errors.Join(fmt.Errorf("%v", err), a.Close())
			}
			return nil
		},
	} {
		if err := errors.Join(os.RemoveAll(s.copyDir), os.MkdirAll(s.copyDir, 0o700), touch(filepath.Join(s.copyDir, "archive.db"))); err != nil {
			t.Fatal(err)
		}
		if _, err := collect.AcceptSource(s.copyDir, "2031", "ibis", "it was moved"); err == nil || errors.Is(err, archive.ErrNotBegun) {
			t.Errorf("accepted: %v", err) // what is missing is the alarm
		}
		if err := s.once(); err != nil {
			t.Fatal(err)
		}
		s.holds(s.copyDir, s.head().Size)
	}
}

// TestCopyByNoServersCertificate: a copy whose certificate is not one to serve by is
// made and cosigned all the same, read by its owner, and says what to do.
func TestCopyByNoServersCertificate(t *testing.T) {
	s := newCopiedSite(t)
	s.send(2)
	id := labtest.Enrol(t, dialled(t, s.proxy.Address(), s.dir), trust.Member{Role: trust.Analyst, Name: "swift"}, labtest.Key(labtest.Rand(t)))
	f := s.following()
	f.As = func() (trust.Identity, bool) { return id, true }
	copied := s.served(f)
	s.catchesUp(copied.conn, s.head())
	if log := copied.log; !log.holds("served to its owner alone") || !log.holds("collector login --collector "+s.proxy.Address()) {
		t.Errorf("it logs %s", log.String())
	}
}
