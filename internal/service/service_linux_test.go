package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/fault"
)

// manager is a service manager's end of the socket.
type manager struct {
	socket string
	words  chan string // one datagram each
}

func startManager(t *testing.T, socket string) *manager {
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	m := &manager{socket, make(chan string, 10_000)}
	go func() {
		b := make([]byte, 64<<10)
		for {
			n, err := conn.Read(b)
			if err != nil {
				return
			}
			m.words <- string(b[:n])
		}
	}()
	return m
}

// sockets gives a path and an abstract name, both new.
func sockets(t *testing.T) map[string]string {
	dir, err := os.MkdirTemp("", "") // a socket's path has 108 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return map[string]string{
		"path":     filepath.Join(dir, "notify"),
		"abstract": fmt.Sprintf("@witnessmark/%d/%s", os.Getpid(), filepath.Base(dir)),
	}
}

// hear waits for the next word that is no sign of life.
func (m *manager) hear(t *testing.T) string {
	t.Helper()
	for {
		if w := m.next(t); w != "WATCHDOG=1" {
			return w
		}
	}
}

func (m *manager) next(t *testing.T) string {
	t.Helper()
	select {
	case w := <-m.words:
		return w
	case <-time.After(time.Minute):
		t.Fatal("the manager was told nothing for a minute")
		return ""
	}
}

func environment(pairs ...string) func(string) string {
	return func(name string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == name {
				return pairs[i+1]
			}
		}
		return ""
	}
}

// TestLifeOfADaemon: ready, read again, failing to, and stopping, over a socket of
// each kind.
func TestLifeOfADaemon(t *testing.T) {
	for kind, socket := range sockets(t) {
		t.Run(kind, func(t *testing.T) {
			m := startManager(t, socket)
			ctx, stop := context.WithCancel(context.Background())
			defer stop()
			hangups, faults := make(chan os.Signal), make(chan error, 2)
			faults <- nil
			faults <- fault.New("collector file", "collector.toml:3", errors.New("unknown key \"lissen\"\n")).WithHint("listen")
			var out lines
			ended := make(chan error, 1)
			go func() {
				ended <- Run(ctx, Options{Log: out.log(), Getenv: environment("NOTIFY_SOCKET", socket), Hangups: hangups},
					func(ctx context.Context, d *Daemon) error {
						d.Ready("serving\non 127.0.0.1:7410", nil, func(context.Context) error { return <-faults })
						<-ctx.Done()
						return nil
					})
			}()
			want := func(said ...string) {
				t.Helper()
				if got := m.hear(t); got != strings.Join(said, "\n") {
					t.Fatalf("the manager was told %q, want %q", got, said)
				}
			}
			reloading := func() {
				t.Helper()
				first, usec, _ := strings.Cut(m.hear(t), "\nMONOTONIC_USEC=")
				if n, err := strconv.ParseInt(usec, 10, 64); first != "RELOADING=1" || err != nil || n <= 0 {
					t.Fatalf("reloading was told as %q, %q", first, usec)
				}
			}
			want("READY=1", "STATUS=serving on 127.0.0.1:7410")
			hangups <- syscall.SIGHUP
			reloading()
			want("READY=1", "STATUS=serving on 127.0.0.1:7410")
			hangups <- syscall.SIGHUP
			reloading()
			want("READY=1", `STATUS=serving on 127.0.0.1:7410; the file was not read again: collector file: collector.toml:3: unknown key "lissen"`)
			stop()
			want("STOPPING=1", "STATUS=stopping")
			if err := <-ended; err != nil {
				t.Error(err)
			}
			got := out.String()
			if strings.Count(got, "\n") != 2 || !strings.Contains(got, `level=ERROR msg="not read again: what was in force stays" error=`) || !strings.Contains(got, "hint=listen\n") {
				t.Errorf("logged:\n%s", got)
			}
		})
	}
}

// TestNoStatusOutlivesTheNext: a status that is set while the file is read again is the
// last that the manager hears.
func TestNoStatusOutlivesTheNext(t *testing.T) {
	socket := sockets(t)["path"]
	m := startManager(t, socket)
	ctx, stop := context.WithCancel(context.Background())
	hangups, ended := make(chan os.Signal), make(chan error, 1)
	go func() {
		ended <- Run(ctx, Options{Log: (&lines{}).log(), Getenv: environment("NOTIFY_SOCKET", socket), Hangups: hangups},
			func(ctx context.Context, d *Daemon) error {
				var telling sync.WaitGroup
				defer telling.Wait()
				n := 0
				d.Ready("0", nil, func(context.Context) error {
					n++
					telling.Go(func() { d.Status(strconv.Itoa(n)) })
					return nil
				})
				<-ctx.Done()
				return nil
			})
	}()
	m.hear(t)
	for n := 1; n <= 3000 && !t.Failed(); n++ {
		hangups <- syscall.SIGHUP
		words := []string{m.hear(t), m.hear(t), m.hear(t)}
		if last := words[2]; !strings.HasSuffix(last, fmt.Sprint("STATUS=", n)) {
			t.Errorf("after reading again for the %d. time the manager was told %q", n, words)
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// TestSignalsOfTheProcess sends itself what a service manager sends.
func TestSignalsOfTheProcess(t *testing.T) {
	reloaded := make(chan bool)
	ended := make(chan error, 1)
	ready := make(chan bool)
	go func() {
		ended <- Run(context.Background(), Options{Log: (&lines{}).log()}, func(ctx context.Context, d *Daemon) error {
			d.Ready("", nil, func(context.Context) error { reloaded <- true; return nil })
			close(ready)
			<-ctx.Done()
			return errors.New("as it was told")
		})
	}()
	<-ready
	syscall.Kill(os.Getpid(), syscall.SIGHUP)
	<-reloaded
	syscall.Kill(os.Getpid(), syscall.SIGTERM)
	if err := <-ended; err == nil || err.Error() != "as it was told" {
		t.Error(err)
	}
}

// TestHangup: a daemon without a file is ended by SIGHUP.
func TestHangup(t *testing.T) {
	hangups := make(chan os.Signal, 1)
	hangups <- syscall.SIGHUP
	err := Run(context.Background(), Options{Log: (&lines{}).log(), Hangups: hangups}, func(ctx context.Context, d *Daemon) error {
		d.Ready("", nil, nil)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Minute):
			return errors.New("it went on for a minute")
		}
	})
	if err != nil {
		t.Error(err)
	}
}

// TestWatchdog: no sign of life while the daemon's own check fails, and again
// once it passes. Only the order of events counts.
func TestWatchdog(t *testing.T) {
	socket := sockets(t)["path"]
	m := startManager(t, socket)
	var mu sync.Mutex
	var ill error
	asked := 0
	check := func(ctx context.Context) error {
		mu.Lock()
		defer mu.Unlock()
		if _, ok := ctx.Deadline(); !ok {
			t.Error("the check may take for ever")
		}
		asked++
		return ill
	}
	fall := func(err error) int {
		mu.Lock()
		defer mu.Unlock()
		ill = err
		return asked
	}
	times := func() int {
		mu.Lock()
		defer mu.Unlock()
		return asked
	}
	ctx, stop := context.WithCancel(context.Background())
	var out lines
	ended := make(chan error, 1)
	go func() {
		ended <- Run(ctx, Options{Log: out.log(), Getenv: environment("NOTIFY_SOCKET", socket, "WATCHDOG_USEC", "10000", "WATCHDOG_PID", strconv.Itoa(os.Getpid()))},
			func(ctx context.Context, d *Daemon) error {
				d.Ready("well", check, nil)
				<-ctx.Done()
				return nil
			})
	}()
	until := func(word string) {
		t.Helper()
		for m.next(t) != word {
		}
	}
	until("WATCHDOG=1")
	until("WATCHDOG=1")
	before := fall(errors.New("the archive does not answer"))
	until("STATUS=not well: the archive does not answer")
	for begin := time.Now(); times() < before+5; time.Sleep(time.Millisecond) {
		if time.Since(begin) > time.Minute {
			t.Fatal("the check was not asked again")
		}
	}
	select {
	case w := <-m.words:
		t.Fatalf("the manager was told %q while the daemon was not well", w)
	default:
	}
	fall(nil)
	until("WATCHDOG=1")
	until("STATUS=well")
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if got := out.String(); strings.Count(got, "not well") != 1 || strings.Count(got, "well again") != 1 {
		t.Errorf("logged:\n%s", got)
	}
}

func TestWatchdogOf(t *testing.T) {
	for _, c := range []struct {
		pid, usec string
		want      time.Duration
	}{
		{"", "30000000", 30 * time.Second}, {"7", "30000000", 30 * time.Second}, {"8", "30000000", 0},
		{"", "", 0}, {"", "-1", 0}, {"", "half", 0}, {"", "99999999999999999", 0},
	} {
		if got := watchdogOf(environment("WATCHDOG_PID", c.pid, "WATCHDOG_USEC", c.usec), 7); got != c.want {
			t.Errorf("pid %q, usec %q: %v, want %v", c.pid, c.usec, got, c.want)
		}
	}
}

// TestNoManager: a socket that nobody listens at is said, and no reason to stop.
func TestNoManager(t *testing.T) {
	for _, socket := range []string{"/nonexistent/notify", "vsock:2:1234"} {
		var out lines
		err := Run(context.Background(), Options{Log: out.log(), Getenv: environment("NOTIFY_SOCKET", socket, "WATCHDOG_USEC", "1")},
			func(ctx context.Context, d *Daemon) error {
				d.Ready("well", nil, nil)
				return nil
			})
		if err != nil || strings.Count(out.String(), "\n") != 1 || !strings.Contains(out.String(), socket) {
			t.Errorf("%v, logged:\n%s", err, out.String())
		}
	}
}

// TestDeafManager: a manager that takes nothing holds nobody up.
func TestDeafManager(t *testing.T) {
	socket := sockets(t)["path"]
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var out lines
	ended := make(chan error, 1)
	go func() {
		ended <- Run(context.Background(), Options{Log: out.log(), Getenv: environment("NOTIFY_SOCKET", socket)}, func(ctx context.Context, d *Daemon) error {
			for !strings.Contains(out.String(), "timeout") {
				d.Status("busy") // until its queue is full
			}
			return nil
		})
	}()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(time.Minute):
		t.Errorf("it waits for its manager:\n%s", out.String())
	}
}

// TestFaultIsTold: a daemon that cannot start says why to its manager too.
func TestFaultIsTold(t *testing.T) {
	socket := sockets(t)["path"]
	m := startManager(t, socket)
	err := Run(context.Background(), Options{Log: (&lines{}).log(), Getenv: environment("NOTIFY_SOCKET", socket)},
		func(context.Context, *Daemon) error { return errors.New("open archive: no room") })
	if err == nil {
		t.Error("the fault is lost")
	}
	for _, want := range []string{"STOPPING=1\nSTATUS=stopping", "STATUS=open archive: no room"} {
		if got := m.hear(t); got != want {
			t.Errorf("the manager was told %q, want %q", got, want)
		}
	}
}

// TestJournal: only the file that JOURNAL_STREAM names is the journal.
func TestJournal(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "stderr"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	st := info.Sys().(*syscall.Stat_t)
	here, other := fmt.Sprintf("%d:%d", st.Dev, st.Ino), fmt.Sprintf("%d:%d", st.Dev, st.Ino+1)
	for _, c := range []struct {
		stream string
		form   Form
		want   string // of the line's beginning
	}{
		{here, Auto, `<4>msg="clock is off" rig=heron by=3s` + "\n"},
		{other, Auto, "time="}, {"", Auto, "time="}, {here, Text, "time="}, {here, JSON, `{"time":`},
	} {
		if err := f.Truncate(0); err != nil {
			t.Fatal(err)
		}
		f.Seek(0, 0)
		NewLog(f, c.form.On(f, environment("JOURNAL_STREAM", c.stream)), nil).With("rig", "heron").Warn("clock is off", "by", 3*time.Second)
		b, err := os.ReadFile(f.Name())
		if err != nil || !strings.HasPrefix(string(b), c.want) || bytes.Count(b, []byte("\n")) != 1 {
			t.Errorf("stream %q, form %s: logged %q, want %q: %v", c.stream, c.form, b, c.want, err)
		}
	}
}
