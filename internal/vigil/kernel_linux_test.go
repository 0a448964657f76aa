package vigil_test

import (
	"context"
	"os"
	"testing"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/vigil"
)

// The kernel says so when somebody has it announce a device again, which takes
// the right to write there.
func TestKernelEvents(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	told, err := vigil.KernelEvents(ctx)
	if err != nil {
		if fault.HintOf(err) == "" {
			t.Errorf("no hint: %v", err)
		}
		t.Skip(err)
	}
	end := time.After(time.Minute)
	for heard := false; !heard; {
		if err := os.WriteFile("/sys/class/net/lo/uevent", []byte("change"), 0); err != nil {
			t.Skip(err)
		}
		select {
		case <-told:
			heard = true
		case <-time.After(time.Second):
		case <-end:
			t.Fatal("nothing was heard of it")
		}
	}
	cancel()
}
