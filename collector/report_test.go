package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/labtest/browser"
)

// TestReportInBrowser opens a report of delivered runs in a real browser.
func TestReportInBrowser(t *testing.T) {
	b := browser.Start(t)
	state := t.TempDir()
	if err := deliverStudy(context.Background(), state); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	makeReport(t, state, file, "setup=memory-rated", "setup=memory-default", "setup=updated")
	p := b.Open(t, file, browser.Phone)
	browser.Fits(t, p)
	browser.Reachable(t, p)
	browser.Printable(t, p, "not controlled: 1 of 2 comparisons", "different", "no verdict", "memory.module[DIMM_A1].part", "signed heads of the trail")
	p.Resize(t, browser.Desk)
	browser.Fits(t, p)
	browser.Quiet(t, p)
	if first := p.Text(t, `document.body.innerText.trim().split("\n")[0]`); !strings.HasPrefix(first, "not controlled: 1 of 2 comparisons with memory-rated; updated: firmware.version") {
		t.Errorf("the first line is %q", first)
	}
}

func makeReport(t testing.TB, state, file string, args ...string) string {
	t.Helper()
	var stdout, stderr bytes.Buffer
	d := &desk{stdout: &stdout, stderr: &stderr, now: func() time.Time { return time.Date(2031, 4, 1, 12, 0, 0, 0, time.UTC) }, state: state}
	cmd := rootCommand(d)
	cmd.SetArgs(append([]string{"report", "--state", state, "-o", file}, args...))
	if err := cmd.ExecuteContext(t.Context()); err != nil {
		t.Fatalf("report: %v\n%s", err, stderr.String())
	}
	return stdout.String()
}

// TestReportIsTheSame makes a report twice of the same archive.
func TestReportIsTheSame(t *testing.T) {
	state, dir := t.TempDir(), t.TempDir()
	if err := deliverStudy(context.Background(), state); err != nil {
		t.Fatal(err)
	}
	var pages [2][]byte
	for i := range pages {
		file := filepath.Join(dir, string(rune('a'+i))+".html")
		makeReport(t, state, file, "setup=memory-rated", "setup=memory-default")
		var err error
		if pages[i], err = os.ReadFile(file); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(pages[0], pages[1]) {
		t.Error("the same question of the same archive gives another page each time")
	}
}
