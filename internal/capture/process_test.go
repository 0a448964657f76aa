package capture

import (
	"os"
	"testing"

	"witnessmark/internal/record"
)

// What has ended by itself when its limit comes, or the operator's word, has ended so.
func TestWhatHasEndedIsNotStopped(t *testing.T) {
	output, err := os.Create(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer output.Close()
	p := newProcess([]string{os.Args[0], "-test.run", "^$"}, nil, "", output)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	done <- p.cmd.Wait()
	if e := p.stop(done, record.TimedOut, "stopped after its limit of 5s"); e.Outcome != record.Finished || e.Detail != "" {
		t.Errorf("%+v", e)
	}
}
