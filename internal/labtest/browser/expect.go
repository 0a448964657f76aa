package browser

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Quiet holds that the page asked for nothing but itself and that neither console
// nor browser had anything to say.
func Quiet(t testing.TB, p *Page) {
	t.Helper()
	for _, r := range p.Requests() {
		if r != p.URL && !strings.HasPrefix(r, "data:,") {
			t.Errorf("the page asks for %s", r)
		}
	}
	for _, line := range p.Console() {
		t.Errorf("the console says %s", line)
	}
}

// Fits holds that the page itself does not scroll sideways, and that whatever is
// wider than its place lies in a box that does, can be reached by the keyboard
// and has a name.
func Fits(t testing.TB, p *Page) {
	t.Helper()
	var out struct {
		Client, Scroll float64
		Sticking       []string
		Boxes          []string
	}
	p.Eval(t, `(() => {
		const root = document.documentElement, sticking = [], boxes = [];
		const boxed = e => { for (; e && e !== document.body; e = e.parentElement) if (/auto|scroll/.test(getComputedStyle(e).overflowX)) return true; return false; };
		for (const e of document.body.querySelectorAll("*")) {
			const r = e.getBoundingClientRect();
			if (r.width && r.right > root.clientWidth + 1 && r.left >= 0 && !boxed(e) && !e.closest("svg")) sticking.push(e.tagName + "." + e.className + " to " + r.right);
			if (/auto|scroll/.test(getComputedStyle(e).overflowX) && e.scrollWidth > e.clientWidth + 1 && (e.tabIndex < 0 || !(e.getAttribute("aria-label") || e.getAttribute("aria-labelledby")))) boxes.push(e.tagName + "." + e.className);
		}
		return {Client: root.clientWidth, Scroll: root.scrollWidth, Sticking: sticking, Boxes: boxes};
	})()`, &out)
	if out.Scroll > out.Client || len(out.Sticking) > 0 {
		t.Errorf("at a width of %v the page is %v wide: %v", out.Client, out.Scroll, out.Sticking)
	}
	if len(out.Boxes) > 0 {
		t.Errorf("boxes that scroll cannot be reached by the keyboard or have no name: %v", out.Boxes)
	}
}

// Reachable presses Tab from the top of the page and holds that it comes to every
// interactive thing that is shown, in the order of the page, and is seen there.
func Reachable(t testing.TB, p *Page) {
	t.Helper()
	n := int(p.Number(t, `(() => {
		document.querySelectorAll("details").forEach(d => d.open = true);
		let n = 0;
		for (const e of document.querySelectorAll("a[href], button, input, select, summary, [tabindex='0']"))
			if (e.checkVisibility()) e.dataset.stop = ++n;
		document.activeElement.blur(); window.scrollTo(0, 0);
		return n;
	})()`))
	if n == 0 {
		t.Fatal("the page has nothing that a keyboard could reach, not even a link past its head")
	}
	for i := 1; i <= n; i++ {
		p.Key(t, "Tab")
		var at struct{ Stop, What, Outline string }
		p.Eval(t, `(() => { const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
			const seen = r.width > 0 && r.left >= 0 && r.bottom > 0 && r.top < innerHeight;
			return {Stop: e.dataset.stop || "", What: e.tagName + " " + e.textContent.slice(0, 40), Outline: seen ? s.outlineStyle : "out of sight"}; })()`, &at)
		if at.Stop != strconv.Itoa(i) {
			t.Fatalf("the Tab key comes to %q (%s) as number %d", at.What, at.Stop, i)
		}
		if at.Outline == "none" || at.Outline == "out of sight" {
			t.Errorf("the focus on %q is not seen: %s", at.What, at.Outline)
		}
	}
	var dummy bool
	p.Eval(t, `(document.querySelectorAll("details").forEach(d => d.open = false), document.activeElement.blur(), true)`, &dummy)
}

// Printable holds that the page prints, black on white, with every wanted text on
// the paper, folded ones too.
func Printable(t testing.TB, p *Page, wanted ...string) {
	t.Helper()
	pdf := p.PDF(t)
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) || len(pdf) < 2000 {
		t.Fatalf("printing gives %d bytes that are no PDF", len(pdf))
	}
	p.must(t, "Emulation.setEmulatedMedia", map[string]any{"media": "print", "features": []map[string]string{{"name": "prefers-color-scheme", "value": "dark"}}}, nil)
	var out struct{ Ground, Ink, Text string }
	p.Eval(t, `(() => { const s = getComputedStyle(document.body), shown = [];
		const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
		for (let n; n = walk.nextNode();) {
			const r = document.createRange(); r.selectNodeContents(n);
			if (n.parentElement.checkVisibility({contentVisibilityAuto: true}) && r.getBoundingClientRect().height > 0) shown.push(n.data);
		}
		return {Ground: s.backgroundColor, Ink: s.color, Text: shown.join("\n")}; })()`, &out)
	p.must(t, "Emulation.setEmulatedMedia", map[string]any{"media": ""}, nil)
	if out.Ground != "rgb(255, 255, 255)" || out.Ink != "rgb(0, 0, 0)" {
		t.Errorf("it prints %s on %s", out.Ink, out.Ground)
	}
	paper := onPaper(t, pdf)
	for _, w := range wanted {
		if !strings.Contains(squeeze(out.Text), squeeze(w)) {
			t.Errorf("%q is not shown in print", w)
		}
		if paper != "" && !strings.Contains(squeeze(paper), squeeze(w)) {
			t.Errorf("%q is not on the paper", w)
		}
	}
}

// onPaper reads the PDF's text by pdftotext, or gives "" where there is none.
func onPaper(t testing.TB, pdf []byte) string {
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Log("pdftotext is not installed: what is on the paper is judged by the print style alone")
		return ""
	}
	file := filepath.Join(t.TempDir(), "page.pdf")
	if err := os.WriteFile(file, pdf, 0o666); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// squeeze drops all space: a printed line breaks where it likes.
func squeeze(s string) string { return strings.Join(strings.Fields(s), "") }
