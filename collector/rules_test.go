package main

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/setup"
)

// The file's reader may not import what it bounds.
func TestDefaultsAreDeliverys(t *testing.T) {
	if got := limitsOf(setup.DefaultDeliveries); got != deliver.DefaultLimits {
		t.Errorf("a collector file has %+v without saying so, and deliveries %+v", got, deliver.DefaultLimits)
	}
}

// manager hears what the daemon tells its service manager.
func manager(t *testing.T) (socket string, hear func() string) {
	dir, err := os.MkdirTemp("", "") // a socket's path has 108 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	socket = filepath.Join(dir, "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { conn.Close() })
	words := make(chan string, 1000)
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := conn.Read(b)
			if err != nil {
				return
			}
			if word := string(b[:n]); word != "WATCHDOG=1" {
				words <- word
			}
		}
	}()
	return socket, func() string {
		t.Helper()
		select {
		case word := <-words:
			return word
		case <-time.After(time.Minute):
			t.Fatal("the manager was told nothing for a minute")
			return ""
		}
	}
}

// TestReload: SIGHUP puts into force what may change, tells what takes a restart,
// and a file with a fault in it changes nothing.
func TestReload(t *testing.T) {
	socket, hear := manager(t)
	file := filepath.Join(t.TempDir(), "collector.toml")
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("listen = '127.0.0.1:0'\ndata = 'kept'\n[deliveries]\nrecord = '1 MiB'\n")
	d := startDaemon(t, []string{"NOTIFY_SOCKET=" + socket, "WATCHDOG_USEC=60000000"}, "--config", file)
	want := func(begin string) {
		t.Helper()
		if got := hear(); !strings.HasPrefix(got, begin) {
			t.Fatalf("its manager was told %q, want %q", got, begin)
		}
	}
	want("READY=1\nSTATUS=serving on " + d.address)
	if _, err := os.Stat(filepath.Join(filepath.Dir(file), "kept", collect.ArchiveFile)); err != nil {
		t.Error(err)
	}
	conn, err := collect.Dial(d.address, collect.Owner(filepath.Join(filepath.Dir(file), "kept")))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{Plain: true, LogBytes: 2 << 20})
	send := func() error {
		_, err := deliver.Send(ctx, conn, run.Signed, run.Parts())
		return err
	}
	reload := func(text, status string) {
		t.Helper()
		write(text)
		if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		want("RELOADING=1\nMONOTONIC_USEC=")
		want("READY=1\nSTATUS=serving on " + d.address + status)
	}
	reload("listen = '127.0.0.1:0'\ndata = 'kept'\n[deliveries]\nparts = 1\n", "; the file was not read again: collector file: ")
	reload("listen = '127.0.0.1:0'\ndata = 'elsewhere'\nlog = 'json'\n[deliveries]\nattachments = '1 MiB'\n", "")
	if err := send(); err == nil || !strings.Contains(err.Error(), "1048576 are taken") {
		t.Errorf("delivered: %v", err)
	}
	reload("listen = '127.0.0.1:0'\ndata = 'kept'\n", "")
	if err := send(); err != nil {
		t.Error(err)
	}
	d.terminate(t)
	want("STOPPING=1\n")
	log := d.text()
	for _, line := range []string{
		`level=ERROR msg="not read again: what was in force stays" error="collector file: ` + file + `:4: unknown key \"parts\"" hint=`,
		`level=WARN msg="what the file says takes a restart" keys="data, log"`,
	} {
		if strings.Count(log, line) != 1 {
			t.Errorf("not logged once: %s\n%s", line, log)
		}
	}
	if n := strings.Count(log, "msg=\"read again\""); n != 2 {
		t.Errorf("read again %d times:\n%s", n, log)
	}
}
