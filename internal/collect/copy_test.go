package collect_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// copyFrom is a follower: DIR ADDRESS and the source's folder.
func copyFrom(args []string) error {
	return collect.Follow(context.Background(), collect.Following{
		Dir: args[0], Source: args[1], Listen: "127.0.0.1:0", Log: labtest.Quiet(), Dial: owning(args[2]),
		Ready: func(address string) { fmt.Println(address) },
	})
}

// owning dials as the owner of a folder.
func owning(dir string) func(string) (*collect.Connection, error) {
	return func(address string) (*collect.Connection, error) { return collect.Dial(address, collect.Owner(dir)) }
}

// born starts a part of this test and gives the address that it prints.
func born(t testing.TB, role string, args ...string) (*labtest.Child, string) {
	t.Helper()
	c := labtest.Start(t, labtest.Role(role, args...))
	address, ok := c.Line()
	if !ok {
		t.Fatalf("the %s did not start: %v", role, c.Wait())
	}
	return c, address
}

// shared is a log that is written and read at the same time.
type shared struct {
	sync.Mutex
	bytes.Buffer
}

func (s *shared) Write(b []byte) (int, error) {
	s.Lock()
	defer s.Unlock()
	return s.Buffer.Write(b)
}

func (s *shared) holds(text string) bool {
	s.Lock()
	defer s.Unlock()
	return strings.Contains(s.Buffer.String(), text)
}

func dialled(t testing.TB, address, dir string) *collect.Connection {
	t.Helper()
	conn, err := collect.Dial(address, collect.Owner(dir))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// headAt asks for a present head; false while nobody answers.
func headAt(t testing.TB, conn *collect.Connection) (trail.Head, bool) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	x, err := deliver.AskHead(ctx, conn)
	if err != nil {
		return trail.Head{}, false
	}
	h, err := trail.OpenHead(x.Head, labtest.Verifiers(t, x.VerifierKey))
	if err != nil {
		t.Fatal(err)
	}
	return h, true
}

// cosignedBy gives the heads that witnesses signed.
func cosignedBy(t testing.TB, conn *collect.Connection) []deliver.Cosigned {
	x, err := deliver.AskHead(t.Context(), conn)
	if err != nil {
		t.Log(err)
	}
	return x.Cosigned
}

// insist tries again until it succeeds.
func insist(t testing.TB, what string, try func(ctx context.Context) error) bool {
	var err error
	for end := time.Now().Add(3 * time.Minute); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		err = try(ctx)
		cancel()
		if err == nil {
			return true
		}
	}
	t.Errorf("%s: %v", what, err)
	return false
}

// TestFollowThroughKills: while rigs deliver, runs become marks and are retracted,
// the source is killed fifty times, the follower now and then, and connections are
// cut; the copy ends equal, every record byte for byte.
func TestFollowThroughKills(t *testing.T) {
	kills := 50
	if labtest.Race {
		kills = 8
	}
	r := labtest.Rand(t)
	dir, copyDir := filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "copy")
	chance := labtest.Seeded(r.Uint64())
	var lock sync.Mutex
	cutting := labtest.NewProxy(t, func() int64 {
		lock.Lock()
		defer lock.Unlock()
		if chance.IntN(3) == 0 {
			return -1
		}
		return 10_000 + chance.Int64N(200_000)
	})
	rigs := labtest.NewProxy(t, func() int64 { return -1 })
	lead := func(address string) { cutting.Lead(address); rigs.Lead(address) }
	source, address := born(t, "collector", dir)
	lead(address)
	follower, _ := born(t, "copy", copyDir, cutting.Address(), dir)

	var all sync.WaitGroup
	delivered := make(chan struct{}, 10000)
	done := make(chan struct{})
	for i := range 3 {
		conn, lab := dialled(t, rigs.Address(), dir), labtest.NewRig(fmt.Sprint("dome-", i), labtest.Seeded(r.Uint64()))
		rand := labtest.Seeded(r.Uint64())
		all.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-done:
					return
				default:
				}
				run := lab.Finish(labtest.Shape{LogBytes: 500 + rand.IntN(40_000), Plain: n%2 == 0})
				insist(t, "deliver", func(ctx context.Context) error {
					_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
					return err
				})
				delivered <- struct{}{}
				if n%7 != 3 {
					continue
				}
				insist(t, "mark and retract", func(ctx context.Context) error {
					ask := answer.NewClient(conn)
					_, _, err := ask.AcceptMark(ctx, run.ID, "keeper", "again")
					if err == nil {
						if _, _, err = ask.Retract(ctx, run.ID, "keeper", "the lamp was on"); errors.Is(err, answer.ErrState) {
							err = nil
						}
					}
					return err
				})
			}
		})
	}
	for k := range kills {
		for range 2 + r.IntN(3) {
			<-delivered
		}
		source.Kill()
		if k%10 == 5 {
			follower.Kill()
			follower, _ = born(t, "copy", copyDir, cutting.Address(), dir)
		}
		source, address = born(t, "collector", dir)
		lead(address)
	}
	close(done)
	all.Wait()
	want, ok := headAt(t, dialled(t, rigs.Address(), dir))
	if !ok {
		t.Fatal("the source does not answer")
	}
	follower.Kill()
	follower, served := born(t, "copy", copyDir, cutting.Address(), dir)
	conn := dialled(t, served, copyDir)
	caughtUp := insist(t, "catch up", func(ctx context.Context) error {
		if got, ok := headAt(t, conn); !ok || got != want {
			return fmt.Errorf("the copy is at %v, the source at %v", got, want)
		}
		return nil
	})
	if !caughtUp {
		return
	}
	if _, err := answer.NewClient(conn).Check(t.Context(), func(where, what string) { t.Errorf("the copy: %s: %s", where, what) }, nil); err != nil {
		t.Error(err)
	}
	insist(t, "cosign", func(context.Context) error {
		if n := len(cosignedBy(t, conn)); n != 1 {
			return fmt.Errorf("%d witnesses signed", n)
		}
		return nil
	})
	follower.Kill()
	source.Kill()
	kept := func(dir string) map[string]labtest.KeptRun {
		a, err := collect.OpenArchive(dir, 10*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		if h, _, err := a.Head(); err != nil || h != want {
			t.Errorf("%s: head %v, %v", dir, h, err)
		}
		return labtest.Kept(t, a)
	}
	theirs, ours := kept(dir), kept(copyDir)
	if d := cmp.Diff(theirs, ours); d != "" || len(ours) < 2*kills {
		t.Errorf("%d runs at the source, %d in the copy: %s", len(theirs), len(ours), d)
	}
	cuts, _ := cutting.Counts()
	t.Logf("%d kills, %d runs, %d entries, %d connections cut", kills, len(ours), want.Size, cuts)
}

// TestPutBackSource: a source whose disk was put back is told of by the follower,
// with both heads, and the copy goes on being read.
func TestPutBackSource(t *testing.T) {
	root := t.TempDir()
	dir, copyDir := filepath.Join(root, "archive"), filepath.Join(root, "copy")
	proxy := labtest.NewProxy(t, func() int64 { return -1 })
	source, address := born(t, "collector", dir)
	proxy.Lead(address)
	conn := dialled(t, proxy.Address(), dir)
	heron := labtest.NewRig("heron", labtest.Rand(t))
	send := func(n int) {
		for range n {
			run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 900})
			insist(t, "deliver", func(ctx context.Context) error {
				_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
				return err
			})
		}
	}
	send(3)
	source.Kill()
	hourAgo := filepath.Join(root, "hour-ago")
	if err := os.CopyFS(hourAgo, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	source, address = born(t, "collector", dir)
	proxy.Lead(address)
	send(4)
	seen, err := audit.Open(filepath.Join(root, "rig"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := seen.Meet(t.Context(), conn, proxy.Address()); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Follow(ctx, collect.Following{
			Dir: copyDir, Source: proxy.Address(), Listen: "127.0.0.1:0", Log: labtest.Quiet(), Dial: owning(dir),
			Ready: func(a string) { ready <- a },
		})
	}()
	copied := dialled(t, <-ready, copyDir)
	want, _ := headAt(t, conn)
	insist(t, "catch up", func(context.Context) error {
		if h, _ := headAt(t, copied); h != want {
			return fmt.Errorf("at %v", h)
		}
		return nil
	})
	source.Kill()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(dir, os.DirFS(hourAgo)); err != nil {
		t.Fatal(err)
	}
	source, address = born(t, "collector", dir)
	proxy.Lead(address)
	alarms, err := audit.Open(filepath.Join(copyDir, "source"), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	insist(t, "alarm", func(context.Context) error {
		open, err := alarms.Open()
		if err == nil && len(open) != 1 {
			err = fmt.Errorf("%d alarms", len(open))
		}
		return err
	})
	if _, err := seen.Meet(t.Context(), conn, proxy.Address()); !errors.Is(err, audit.ErrAlarm) {
		t.Errorf("a rig: %v", err)
	}
	// What the copy has it has, and says that it is one.
	if rigs, err := answer.NewClient(copied).Rigs(t.Context()); err != nil || len(rigs) != 1 || rigs[0].Runs != 7 {
		t.Errorf("%+v, %v", rigs, err)
	}
	run := heron.Finish(labtest.Shape{Plain: true, LogBytes: 900})
	if _, err := deliver.Send(t.Context(), copied, run.Signed, run.Parts()); err == nil || !strings.Contains(err.Error(), "a copy that follows") {
		t.Errorf("delivered to a copy: %v", err)
	}
	stop()
	err = <-ended
	var a audit.Alarm
	if !errors.As(err, &a) || a.Seen.Size != want.Size || a.Now.Size >= want.Size || !strings.Contains(fault.HintOf(err), "can be read") {
		t.Errorf("%v, hint %q", err, fault.HintOf(err))
	}
	for name, size := range map[string]int64{"seen.head": want.Size, "now.head": a.Now.Size} {
		b, err := os.ReadFile(filepath.Join(a.Folder, name))
		if err != nil {
			t.Fatal(err)
		}
		if h, err := trail.OpenHead(b, labtest.Verifiers(t, a.Seen.Key)); err != nil || h.Size != size {
			t.Errorf("%s: %v, %v", name, h, err)
		}
	}
	source.Kill()
	// It stays so in the next life.
	if err := collect.Follow(t.Context(), collect.Following{Dir: copyDir, Source: "127.0.0.1:1", Once: true, Log: labtest.Quiet(), Dial: owning(dir)}); !errors.Is(err, follow.ErrUnreachable) {
		t.Error(err)
	}
}
