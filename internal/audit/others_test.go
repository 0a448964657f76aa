package audit_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/audit"
	"witnessmark/internal/durable"
	"witnessmark/internal/labtest"
)

// TestTwoProcesses deliver at once and share one memory.
func TestTwoProcesses(t *testing.T) {
	dir, c := t.TempDir(), labtest.NewCollector(t)
	var wg sync.WaitGroup
	for i := range 4 {
		b := newBench(t, dir)
		b.rig.Name = fmt.Sprint("rig", i)
		wg.Go(func() {
			for range 3 {
				if _, err := b.deliver(c, 3); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	b := newBench(t, dir)
	if open, err := b.Open(); len(open) > 0 || err != nil || b.seen(t) != 36 {
		t.Errorf("%d seen, alarms %+v, %v", b.seen(t), open, err)
	}
}

// overtaken lets others do something after each answer about a head.
type overtaken struct {
	grpc.ClientConnInterface
	others func()
}

func (o overtaken) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	defer o.others()
	return o.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
}

// TestOvertaken: others remember a longer head whenever this one has one to remember.
// It ends, with the longest.
func TestOvertaken(t *testing.T) {
	dir, c := t.TempDir(), labtest.NewCollector(t)
	b, other := newBench(t, dir), newBench(t, dir)
	if _, err := b.deliver(c, 1); err != nil {
		t.Fatal(err)
	}
	n := 0
	conn := overtaken{c, func() {
		n++
		if _, err := other.deliver(c, 1); err != nil {
			t.Error(err)
		}
	}}
	if _, err := b.deliver(conn, 1); err != nil || n == 0 || b.seen(t) != int64(n)+2 {
		t.Errorf("overtaken %d times, %d seen: %v", n, b.seen(t), err)
	}
}

// TestWhileItIsWritten: a memory that another process is writing for the first time is
// waited for, and not told to be damaged.
func TestWhileItIsWritten(t *testing.T) {
	dir, c := t.TempDir(), labtest.NewCollector(t)
	b := newBench(t, dir)
	if err := b.Pin(address, c.Archive.VerifierKey()); err != nil {
		t.Fatal(err)
	}
	written, err := filepath.Glob(filepath.Join(dir, "memory", "*.1"))
	if err != nil || len(written) != 1 {
		t.Fatal(written, err)
	}
	whole, err := os.ReadFile(written[0])
	if err != nil {
		t.Fatal(err)
	}
	for what, look := range map[string]func() error{
		"met":   func() error { _, err := b.Meet(t.Context(), c, address); return err },
		"asked": func() error { _, err := b.Refuses(audit.Alarm{Collector: address}); return err },
	} {
		lock, err := durable.WaitLock(filepath.Join(dir, "lock"))
		if err == nil {
			err = os.WriteFile(written[0], whole[:100], 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- look() }()
		select {
		case err := <-ended:
			t.Errorf("%s before it is written: %v", what, err)
			ended <- err
		case <-time.After(200 * time.Millisecond): // one that comes later finds it whole
		}
		if err := errors.Join(os.WriteFile(written[0], whole, 0o600), durable.Unlock(lock), <-ended); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}
