package figure

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/internal/labtest/browser"
)

// TestPageInBrowser opens a report with every kind of part in a real browser.
func TestPageInBrowser(t *testing.T) {
	b := browser.Start(t)
	html, err := samplePage(t).HTML()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(file, html, 0o666); err != nil {
		t.Fatal(err)
	}
	p := b.Open(t, file, browser.Phone)
	browser.Fits(t, p)
	browser.Reachable(t, p)
	browser.Printable(t, p, "orrery 3", "not controlled: firmware.version", "memory.module[CHANNEL_A/DIMM0].rated_speed")
	for _, s := range []browser.Screen{browser.Desk, {Width: 320, Height: 600}, {Width: 560, Height: 900}, {Width: 561, Height: 900}} {
		p.Resize(t, s)
		browser.Fits(t, p)
	}
	browser.Quiet(t, p)
	if first := p.Text(t, `document.body.innerText.trim().split("\n")[0]`); !strings.HasPrefix(first, "not controlled: firmware.version") {
		t.Errorf("the first line is %q", first)
	}
	shots(t, p)
}

// shots writes pictures into the folder FIGURES, for a person to look at.
func shots(t *testing.T, p *browser.Page) {
	dir := os.Getenv("FIGURES")
	if dir == "" {
		return
	}
	for name, s := range map[string]browser.Screen{
		"desk": browser.Desk, "phone": browser.Phone, "desk-dark": {Width: 1280, Height: 900, Dark: true}, "phone-dark": {Width: 360, Height: 740, Dark: true},
	} {
		p.Resize(t, s)
		if err := os.WriteFile(filepath.Join(dir, name+".png"), p.Screenshot(t), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "print.pdf"), p.PDF(t), 0o666); err != nil {
		t.Fatal(err)
	}
}
