package figure

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestStructure holds what every kind of figure says and how it is laid out, not
// the bytes of its letters, against testdata/figures.golden.
func TestStructure(t *testing.T) {
	var b strings.Builder
	for _, s := range samples() {
		f, err := s.Figure()
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s\n  title    %s\n  caption  %s\n  words    %s\n", f.Name, f.Title, f.Caption, f.Words)
		for _, form := range []Form{Wide, Narrow} {
			sheet := f.sheet(form)
			fmt.Fprintf(&b, "  %s, %.0f high\n", form, sheet.height())
			for _, block := range sheet.blocks {
				fmt.Fprintf(&b, "    %s\n", outline(block))
			}
		}
		b.WriteString("\n")
	}
	const golden = "testdata/figures.golden"
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		got, wanted := strings.Split(b.String(), "\n"), strings.Split(string(want), "\n")
		for i := range got {
			if i >= len(wanted) || got[i] != wanted[i] {
				t.Fatalf("line %d is\n%s\nand not as in %s; if that is meant: go test -run TestStructure -update", i+1, got[i], golden)
			}
		}
		t.Fatalf("%s has more lines", golden)
	}
}

func outline(b block) string {
	switch b := b.(type) {
	case panel:
		s := fmt.Sprintf("panel %q; y %s; x %s %q", b.heading, b.y.outline(), b.x.outline(), b.xLabel)
		for _, l := range b.labels {
			s += fmt.Sprintf("; label %q", l.text)
		}
		for _, l := range b.layers {
			s += fmt.Sprintf("; %s", strings.TrimPrefix(fmt.Sprintf("%T", l), "figure."))
		}
		return s
	case rows:
		s := fmt.Sprintf("rows; x %s %q", b.x.outline(), b.xLabel)
		for _, r := range b.each {
			s += fmt.Sprintf("; row %q %q", r.name, r.words)
		}
		return s
	case cells:
		return fmt.Sprintf("cells %v by %v", b.a, b.b)
	case nameplate:
		return fmt.Sprintf("nameplate %q", b.text)
	}
	return fmt.Sprintf("%T", b)
}

func (a axis) outline() string {
	s := fmt.Sprintf("%.6g to %.6g", a.min, a.max)
	var labels []string
	for _, t := range a.ticks {
		labels = append(labels, t.Label)
	}
	s += " [" + strings.Join(labels, ", ") + "]"
	if a.torn {
		s += " torn"
	}
	if a.warning != "" {
		s += " (" + a.warning + ")"
	}
	return s
}

// TestSameInputSameBytes draws everything twice.
func TestSameInputSameBytes(t *testing.T) {
	first, second := samples(), samples()
	for i := range first {
		a, err := first[i].Figure()
		if err != nil {
			t.Fatal(err)
		}
		b, err := second[i].Figure()
		if err != nil {
			t.Fatal(err)
		}
		if string(a.SVG(Wide)) != string(b.SVG(Wide)) || string(a.SVG(Narrow)) != string(b.SVG(Narrow)) {
			t.Errorf("%s: the SVG is another each time", a.Name)
		}
		pa, err := a.PNG(Narrow, 96)
		if err != nil {
			t.Fatal(err)
		}
		pb, err := b.PNG(Narrow, 96)
		if err != nil {
			t.Fatal(err)
		}
		if string(pa) != string(pb) {
			t.Errorf("%s: the PNG is another each time", a.Name)
		}
	}
	a, err := samplePage(t).HTML()
	if err != nil {
		t.Fatal(err)
	}
	if b, _ := samplePage(t).HTML(); string(a) != string(b) {
		t.Error("the page is another each time")
	}
}

// TestCaptionWarnsFirst holds the first words of every caption, in the figure and
// in the files.
func TestCaptionWarnsFirst(t *testing.T) {
	h := Head{NotControlled: "firmware.version differs", Played: true}
	f, err := Ratios{Head: h, Level: 0.95, Rows: []Ratio{{Label: "orrery", Value: 1.1, Low: 1.05, High: 1.15}}}.Figure()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(f.Caption, "not controlled: firmware.version differs.") || !strings.Contains(f.Caption, "played") {
		t.Errorf("the caption begins %q", f.Caption)
	}
	if !strings.Contains(string(f.SVG(Wide)), "not controlled: firmware.version differs.") {
		t.Error("the file does not say so")
	}
	f, err = Ratios{Level: 0.95, Rows: []Ratio{{Label: "orrery", Value: 1.1}}}.Figure()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(f.Caption, "controlled") || strings.Contains(f.Caption, "played") {
		t.Errorf("the caption of a sound comparison warns: %q", f.Caption)
	}
}
