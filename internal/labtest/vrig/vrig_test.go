package vrig

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// payloadDir holds the payload for as long as the tests run.
var payloadDir string

func TestMain(m *testing.M) {
	code := m.Run()
	if payloadDir != "" {
		os.RemoveAll(payloadDir)
	}
	os.Exit(code)
}

var buildPayload = sync.OnceValues(func() (path string, err error) {
	if payloadDir, err = os.MkdirTemp("", "vrig-payload-"); err != nil {
		return "", err
	}
	return filepath.Join(payloadDir, "payload"), Build(payloadDir, commandsPath+"payload")
})

// start boots a rig whose payload is command payload with the given arguments.
func start(t *testing.T, c Config, args ...string) *Rig {
	t.Helper()
	Need(t)
	p, err := buildPayload()
	if err != nil {
		t.Fatal(err)
	}
	c.Payload, c.Args = p, args
	return Start(t, c)
}

// soon is a limit on what happens within a second or two where nothing is wrong.
func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// eventually asks the rig until it answers as wanted.
func eventually(t *testing.T, r *Rig, line, want string) {
	t.Helper()
	ctx := soon(t)
	for {
		got, err := r.Control(line)
		if err != nil {
			t.Fatal(err)
		}
		if got == want {
			return
		}
		select {
		case <-ctx.Done():
			t.Fatalf("%s gave %q to the end, want %q", line, got, want)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// answer asks the rig once.
func answer(t *testing.T, r *Rig, line string) string {
	t.Helper()
	got, err := r.Control(line)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestExitCodeIsThePayloads(t *testing.T) {
	t.Parallel()
	r := start(t, Config{}, "exit", "7")
	if code, err := r.Wait(); code != 7 || err != nil {
		t.Errorf("Wait() = %d, %v, want 7", code, err)
	}
	if _, err := r.Control("cat /proc/uptime"); err == nil {
		t.Error("a rig that is off answered")
	}
}

// The file tree, environment and machine are as the configuration asks.
func TestGuestIsAsConfigured(t *testing.T) {
	t.Parallel()
	script := filepath.Join(t.TempDir(), "tool")
	if err := os.WriteFile(script, []byte("what it holds"), 0o750); err != nil {
		t.Fatal(err)
	}
	r := start(t, Config{
		Sockets: 2, Cores: 2, Threads: 2,
		Files: map[string]string{"/opt/lab/tool": script},
		Env:   map[string]string{"LAB": "two words"},
		Setup: []string{"put /tmp/note from the setup"},
		// A card without anybody behind it.
		Forward: []int{1},
	}, "wait", "600")
	for line, want := range map[string]string{
		"cat /opt/lab/tool": "what it holds",
		"cat /tmp/note":     "from the setup",
		"cat /sys/devices/system/cpu/cpu7/topology/physical_package_id": "1",
		"cat /sys/devices/system/cpu/cpu7/topology/core_cpus_list":      "6-7",
		"ls /bin/*": "/bin/payload",
		"cat /proc/sys/kernel/random/entropy_avail": "256", // bits, all it holds
	} {
		if got := answer(t, r, line); got != want {
			t.Errorf("%s = %q, want %q", line, got, want)
		}
	}
	for carrier, up := range map[string]bool{"0": false, "1": true} {
		if err := r.SetLink(up); err != nil {
			t.Error(err)
		}
		eventually(t, r, "cat /sys/class/net/eth0/carrier", carrier)
	}
	if err := r.Await(soon(t), `waiting in "/root" with ["HOME=/root" "LAB=two words" "PATH=/bin"]`); err != nil {
		t.Error(err)
	}
	if _, err := r.Control("cat /nowhere"); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("reading a file that is not there: %v", err)
	}
}

func TestFailedSetupIsToldAsSuch(t *testing.T) {
	t.Parallel()
	r := start(t, Config{Setup: []string{"put /nowhere/note text"}}, "exit", "0")
	_, err := r.Wait()
	if err == nil || !strings.Contains(err.Error(), "put /nowhere/note text: open /nowhere/note") {
		t.Errorf("Wait() = %v, want the line of the setup that failed and why", err)
	}
}

func TestHangEndsByTimeout(t *testing.T) {
	t.Parallel()
	r := start(t, Config{Timeout: 5 * time.Second}, "wait", "600")
	if code, err := r.Wait(); !errors.Is(err, ErrTimeout) {
		t.Errorf("Wait() = %d, %v, want %v", code, err, ErrTimeout)
	}
}

func TestFrozenRigIsStoppedByContext(t *testing.T) {
	t.Parallel()
	Need(t)
	p, err := buildPayload()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	r, err := Boot(ctx, Config{Payload: p, Args: []string{"wait", "600"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Stop(); err != nil {
		t.Error(err)
	}
	cancel()
	if _, err := r.Wait(); !errors.Is(err, ErrStopped) || !errors.Is(err, context.Canceled) {
		t.Errorf("Wait() = %v, want %v", err, ErrStopped)
	}
	r.Close()
}

func TestBootRefuses(t *testing.T) {
	Need(t)
	processor := []byte{typeProcessor, 4, 0, 0, 0, 0}
	for want, c := range map[string]Config{
		"no payload":        {},
		"only 3 bytes":      {Payload: "x", Firmware: [][]byte{{1, 2, 3}}},
		"1 processors":      {Payload: "x", Firmware: [][]byte{processor}, Sockets: 2},
		"no-such-program":   {Payload: "/no-such-program"},
		"none of that name": {Payload: "/no-such-program", Modules: []string{"no-such-module"}},
	} {
		r, err := Boot(t.Context(), c)
		if err == nil {
			r.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Boot(%+v) = %v, want an error with %q", c, err, want)
		}
	}
}
