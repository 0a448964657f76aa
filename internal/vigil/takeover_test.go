package vigil_test

import (
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/spool"
)

// held is a log that keeps waiting whoever tells of a run that was finished.
type held struct {
	slog.Handler
	wait func()
}

func (h held) Handle(ctx context.Context, r slog.Record) error {
	if strings.HasPrefix(r.Message, "finished from what") {
		h.wait()
	}
	return h.Handler.Handle(ctx, r)
}

// The machine is sampled while what a stopped agent left is finished, however long
// that takes.
func TestSamplesWhileItTakesOver(t *testing.T) {
	s := newSite(t, "heron")
	sp, err := spool.Open(filepath.Join(s.state, "spool"))
	if err != nil {
		t.Fatal(err)
	}
	run := s.rig.Finish(labtest.Shape{Plain: true}).Run
	run.Attachments, run.Logs, run.Results = nil, nil, nil // as before a workload has begun
	sofar, err := record.Encode(run)
	if err != nil {
		t.Fatal(err)
	}
	left, err := sp.Begin(run.ID, address, sofar, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	left.Release()
	held, taking, taken := held{Handler: s.log.Handler()}, make(chan bool), make(chan bool)
	held.wait = func() { close(taking); <-taken }
	s.log = slog.New(held)
	v, _ := s.run()
	t.Cleanup(func() { close(taken) }) // before the agent is stopped
	select {
	case <-taking:
	case <-time.After(3 * time.Minute):
		t.Fatalf("nothing is taken over: %+v", v.Status().Troubles)
	}
	s.until("a pass", func() bool { return v.Status().Sampled >= 0 })
}
