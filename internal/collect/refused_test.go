package collect_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/trust"
)

// journal is a log that is read back.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (j *journal) Write(b []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(b)
}

func (j *journal) logger() *slog.Logger { return slog.New(slog.NewJSONHandler(j, nil)) }

// refusals counts the lines that a reason has, and what those say was left out.
func (j *journal) refusals(t *testing.T, reason string) (lines, left int) {
	t.Helper()
	j.mu.Lock()
	defer j.mu.Unlock()
	for s := bufio.NewScanner(bytes.NewReader(j.text.Bytes())); s.Scan(); {
		var line struct {
			Msg, Reason string
			Times       int
		}
		if err := json.Unmarshal(s.Bytes(), &line); err != nil {
			t.Fatal(err)
		}
		switch {
		case line.Reason != reason:
		case line.Msg == "refused":
			lines++
		default:
			left += line.Times
		}
	}
	return lines, left
}

// TestOneStrangerDoesNotFillTheJournal has somebody without a certificate ask and
// ask again: a few lines are written, and one that counts the rest.
func TestOneStrangerDoesNotFillTheJournal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	var j journal
	ctx, stop := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- collect.Serve(ctx, dir, "127.0.0.1:0", j.logger(), func(a string) { ready <- a })
	}()
	defer stop()
	var address string
	select {
	case address = <-ready:
	case err := <-ended:
		t.Fatal(err)
	}
	stranger, err := collect.DialToJoin(address, trust.FingerprintOf(collect.Owner(dir)()[0].Authority))
	if err != nil {
		t.Fatal(err)
	}
	defer stranger.Close()
	const times = 300
	for range times {
		if _, err := answer.NewClient(stranger).Rigs(context.Background()); err == nil {
			t.Fatal("a stranger was answered")
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	lines, left := j.refusals(t, trust.NoCertificate)
	if lines+left != times || lines == 0 || lines > times/4 {
		t.Errorf("of %d refusals %d have a line of their own, and %d are counted", times, lines, left)
	}
}

// TestManyStrangersDoNotFillTheJournal has each refusal come from another address.
func TestManyStrangersDoNotFillTheJournal(t *testing.T) {
	var j journal
	refuse, end := collect.Refusals(j.logger())
	const times = 10_000
	for i := range times {
		refuse(trust.NoCertificate, fmt.Sprintf("192.0.2.%d", i))
	}
	end()
	lines, left := j.refusals(t, trust.NoCertificate)
	if lines+left != times || lines < 100 || lines > times/4 {
		t.Errorf("of %d refusals %d have a line of their own, and %d are counted", times, lines, left)
	}
	refuse(trust.NoCertificate, "192.0.2.1")
	if again, _ := j.refusals(t, trust.NoCertificate); again != lines+1 {
		t.Error("after the window a refusal is not written down")
	}
	end()
}
