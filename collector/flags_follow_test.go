package main

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
)

// overheard is a writer that others may read meanwhile.
type overheard struct {
	mu sync.Mutex
	b  strings.Builder
}

func (s *overheard) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(b)
}

func (s *overheard) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func (s *overheard) await(t *testing.T, want string) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !strings.Contains(s.String(), want); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("no %q in %q", want, s.String())
		}
	}
}

// TestFlagsFollow: the command goes on over a collector that was away, prints
// each flag once, goes on after a place, and ends with its context.
func TestFlagsFollow(t *testing.T) {
	t.Setenv("WITNESSMARK_COLLECTOR", "")
	dir := filepath.Join(t.TempDir(), "archive")
	t.Setenv("WITNESSMARK_STATE", filepath.Dir(dir))
	proxy := labtest.NewProxy(t, func() int64 { return -1 })
	address := proxy.Address()
	serve := func() (stop func()) {
		t.Helper()
		at, stop := labtest.Serve(t, dir)
		proxy.Lead(at)
		return stop
	}
	stop := serve()
	conn, err := collect.Dial(address, collect.Owner(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	token := labtest.Token(t, conn, trust.Member{Role: trust.Analyst, Name: "swift"}, time.Hour)
	if _, err := collect.Join(t.Context(), address, collect.Desk(filepath.Dir(dir)), token); err != nil {
		t.Fatal(err)
	}
	heron := labtest.NewBeating("heron")
	beat := func() {
		t.Helper()
		within, done := context.WithTimeout(context.Background(), time.Minute)
		defer done()
		for heron.Send(within, conn) != nil {
			if within.Err() != nil {
				t.Fatal("the beat does not get through")
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	beat()
	follow := func(args ...string) (lines chan answer.FlagNews, errs *overheard, end func()) {
		ctx, cancel := context.WithCancel(context.Background())
		r, w := io.Pipe()
		lines, errs = make(chan answer.FlagNews, 1000), &overheard{}
		code := make(chan int, 1)
		go func() {
			code <- run(ctx, append([]string{"--collector", address, "flags", "--follow", "--json"}, args...), strings.NewReader(""), w, errs)
			w.Close()
		}()
		go func() {
			for s := bufio.NewScanner(r); s.Scan(); {
				var n answer.FlagNews
				if err := json.Unmarshal(s.Bytes(), &n); err != nil {
					t.Error(err)
				}
				lines <- n
			}
			close(lines)
		}()
		return lines, errs, func() {
			cancel()
			if c := <-code; c != 0 {
				t.Errorf("exit %d: %s", c, errs)
			}
		}
	}
	next := func(lines chan answer.FlagNews) answer.FlagNews {
		t.Helper()
		select {
		case n := <-lines:
			return n
		case <-time.After(time.Minute):
			t.Fatal("no flag came")
			return answer.FlagNews{}
		}
	}
	lines, errs, end := follow("--weight", "caution", "--fact", "memory.speed")
	errs.await(t, "following the flags of "+address)
	heron.SetMemory(2400)
	beat()
	first := next(lines)
	if first.Of != "rig" || first.FlagRow == nil || first.Rig != "heron" || first.Fact != "memory.speed" {
		t.Fatalf("%+v", first)
	}
	stop()
	errs.await(t, "trying again")
	stop = serve()
	heron.SetMemory(2133)
	beat()
	second := next(lines)
	if second.Fact != "memory.speed" || second.Seen == first.Seen || second.Place == first.Place {
		t.Errorf("%+v after %+v", second, first)
	}
	errs.await(t, "answers again")
	end()
	for n := range lines {
		t.Errorf("%+v came besides", n)
	}
	lines, _, end = follow("--after", first.Place, "--limit", "1", "--fact", "memory.speed")
	if again := next(lines); again.Place != second.Place {
		t.Errorf("after %s came %s, want %s", first.Place, again.Place, second.Place)
	}
	end()
	stop()
}

// TestFlagsFollowUsage: what cannot be followed is overheard in one line.
func TestFlagsFollowUsage(t *testing.T) {
	t.Setenv("WITNESSMARK_COLLECTOR", "")
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"flags --follow --since 7d", 2, "--since chooses among what is there"},
		{"flags --after 1.0.1-0000000000000000", 2, "--after is of --follow"},
		{"flags --follow --after here", 2, `"here" is no place between flags`},
		{"flags --follow", 1, "nobody serves this archive"},
	} {
		var out, errs strings.Builder
		code := run(context.Background(), append([]string{"--state", t.TempDir()}, strings.Fields(c.args)...), strings.NewReader(""), &out, &errs)
		if code != c.code || out.String() != "" || !strings.Contains(errs.String(), c.want) || !strings.Contains(errs.String(), "\nhint: ") {
			t.Errorf("%s: %d, %q, %q", c.args, code, out.String(), errs.String())
		}
	}
}
