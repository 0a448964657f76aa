package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// TestRigsThatBeat: what a rig is now shows without any run, also after the
// collector was started anew, in the table as in JSON.
func TestRigsThatBeat(t *testing.T) {
	state := t.TempDir()
	conn, err := collect.Embedded(context.Background(), filepath.Join(state, "archive"), labtest.Quiet())
	if err != nil {
		t.Fatal(err)
	}
	heron, plover := labtest.NewBeating("heron"), labtest.NewBeating("plover")
	heron.Troubles = []deliver.Trouble{{What: "the spool is full", Since: heron.Wall}}
	heron.Waiting = deliver.Waiting{Runs: 2, Size: 9, Oldest: heron.Wall}
	beat := func(g *labtest.Beating) {
		if err := g.Send(context.Background(), conn); err != nil {
			t.Fatal(err)
		}
	}
	beat(heron)
	beat(plover)
	heron.Reboot()
	heron.SetMemory(2400)
	beat(heron)
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	ask := func(args ...string) string {
		var out, said bytes.Buffer
		if code := run(context.Background(), append([]string{"--state", state}, args...), strings.NewReader(""), &out, &said); code != 0 {
			t.Fatalf("exit %d: %s", code, said.String())
		}
		return out.String()
	}
	table := ask("rigs")
	for _, want := range []string{
		"rig     last beat", "caution: underrated memory.speed: 2400 MT/s, expected 3200 MT/s",
		"moved: memory.speed: 2400 MT/s, was 3200 MT/s in the boot before; since 20",
		"waiting: 2 not yet delivered, the oldest of 2031-03-02 09:00:00", "trouble: the spool is full; since 2031-03-02 09:00:00",
		"s ago", "clean",
	} {
		if !strings.Contains(table, want) {
			t.Errorf("no %q in\n%s", want, table)
		}
	}
	var list struct {
		Rigs []struct {
			Name string
			Runs int
			Beat struct {
				Standing string
				Silent   bool
				Flags    []struct{ Kind, Fact string }
				Moved    []struct{ Fact, Against string }
				Waiting  struct{ Runs int }
				Troubles []struct{ What string }
			}
		}
	}
	if err := json.Unmarshal([]byte(ask("rigs", "--json")), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Rigs) != 2 || list.Rigs[0].Name != "heron" || list.Rigs[1].Beat.Standing != "clean" {
		t.Fatalf("%+v", list)
	}
	b := list.Rigs[0].Beat
	if b.Standing != "caution" || b.Flags[0].Fact != "memory.speed" || b.Moved[0].Fact != "memory.speed" || b.Waiting.Runs != 2 || b.Troubles[0].What == "" {
		t.Errorf("%+v", b)
	}
}

// TestSilence: a rig that is not heard of says since when.
func TestSilence(t *testing.T) {
	now := time.Now()
	came := now.Add(-time.Minute)
	for _, c := range []struct {
		silent bool
		want   string
	}{{false, "1m0s ago"}, {true, "silent since " + came.UTC().Format("2006-01-02 15:04:05")}} {
		if got := beatCells(&answer.Beat{Came: came, Silent: c.silent}, now)[0]; got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
