package figure

import (
	"encoding/xml"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// skeleton is what a page is made of: every element with its attributes, without
// the text of both but for what could act.
func skeleton(t testing.TB, page []byte) (out []string, ids map[string]int) {
	ids = map[string]int{}
	doc, err := html.Parse(strings.NewReader(string(page)))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		line := n.Data
		for _, a := range n.Attr {
			line += " " + a.Key
			switch a.Key {
			case "href":
				if !strings.HasPrefix(a.Val, "#") && a.Val != "data:," {
					t.Errorf("%s points outside the page: %q", n.Data, a.Val)
				}
			case "id":
				ids[a.Val]++
			case "src", "srcset", "style", "action", "data", "xlink:href":
				t.Errorf("%s has the attribute %s", n.Data, a.Key)
			}
			if strings.HasPrefix(a.Key, "on") {
				t.Errorf("%s has the handler %s", n.Data, a.Key)
			}
		}
		if slices.Contains([]string{"script", "iframe", "object", "embed", "img", "base", "form", "foreignobject"}, n.Data) {
			t.Errorf("the page holds an element %s", n.Data)
		}
		out = append(out, line)
	}
	return out, ids
}

// hostilePage puts one text everywhere that text from outside can come to.
func hostilePage(s string) Page {
	h := Head{Name: s, Subject: s, NotControlled: s}
	f, _ := Ratios{Head: h, What: s, Level: 0.95, Rows: []Ratio{{s, 1.1, 1.05, 1.2, s}}}.Figure()
	c, _ := Course{Head: h, Strips: []Strip{{Name: s, Unit: s, Tracks: []Track{{s, []time.Duration{0, 1e9}, []float64{1, 2}}}, Bounds: []Bound{{s, 3}}}}}.Figure()
	return Page{
		Lead: s, Title: s, Played: s + ".", About: []string{s}, By: s,
		Sections: []Section{{Heading: s, Lead: s + ".", Parts: []Part{
			{Text: s}, {List: []string{s}}, {Verdict: &Verdict{s, s, s + ".", []string{s}}}, {Pre: &Pre{s, s}},
			{Table: &Table{s, Columns(s, s), [][]string{{s, s}, {s}}}}, {Figure: &f}, {Figure: &c}, {More: &More{s, []Part{{Text: s}}}},
		}}},
	}
}

// FuzzPageEscapes holds that no text from outside becomes a part of the page's
// structure: the page has the same elements and attributes whatever it says, and
// says what it was given.
func FuzzPageEscapes(f *testing.F) {
	for _, s := range []string{
		"heron", "<script>alert(1)</script>", `" onload="alert(1)`, "'><img src=x onerror=alert(1)>", "</style><script>", "</title></svg><iframe>",
		"javascript:alert(1)", "{{.}}", "]]>", "<!--", "\x00\x01\x02", "\xff\xfe", "\u202e\u2028", "&lt;b&gt;", "鷺\ufffe", strings.Repeat("<b>", 200),
	} {
		f.Add(s)
	}
	plain, err := hostilePage("heron").HTML()
	if err != nil {
		f.Fatal(err)
	}
	want, _ := skeleton(f, plain)
	f.Fuzz(func(t *testing.T, s string) {
		if s == "" {
			t.Skip("what is not said has no element")
		}
		page, err := hostilePage(s).HTML()
		if err != nil {
			t.Fatal(err)
		}
		got, ids := skeleton(t, page)
		if body := withoutLetters(got); !slices.Equal(body, withoutLetters(want)) {
			t.Fatalf("with %q the page has other elements: %s", s, firstOther(body, withoutLetters(want)))
		}
		for id, n := range ids {
			if n > 1 {
				t.Errorf("%d elements have the id %q", n, id)
			}
		}
		fig, err := Ratios{Head: Head{Name: s, Subject: s}, What: s, Level: 0.9, Rows: []Ratio{{Label: s, Value: 1.2, Text: s}}}.Figure()
		if err != nil {
			t.Fatal(err)
		}
		if err := onDrawing(fig.SVG(Narrow), Narrow); err != nil {
			t.Fatal(err)
		}
	})
}

// withoutLetters leaves out the outlines and the lines that a figure's text is
// broken into: they follow the text.
func withoutLetters(lines []string) (out []string) {
	for _, l := range lines {
		tag, _, _ := strings.Cut(l, " ")
		if !slices.Contains([]string{"use", "g", "path", "text", "defs"}, tag) {
			out = append(out, l)
		}
	}
	return out
}

func firstOther(a, b []string) string {
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			return fmt.Sprintf("number %d is %s", i, a[i])
		}
	}
	return "some are gone"
}

// TestPageHasOrder holds the order of headings, names of tables and drawings, and
// that every id is one's own.
func TestPageHasOrder(t *testing.T) {
	page, err := samplePage(t).HTML()
	if err != nil {
		t.Fatal(err)
	}
	_, ids := skeleton(t, page)
	for id, n := range ids {
		if n > 1 {
			t.Errorf("%d elements have the id %q", n, id)
		}
	}
	doc, err := html.Parse(strings.NewReader(string(page)))
	if err != nil {
		t.Fatal(err)
	}
	level := 0
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		attr := map[string]string{}
		for _, a := range n.Attr {
			attr[a.Key] = a.Val
		}
		for _, key := range []string{"aria-labelledby", "aria-describedby"} {
			if v, ok := attr[key]; ok && ids[v] != 1 {
				t.Errorf("%s points at %q, which is not there", key, v)
			}
		}
		if href, ok := strings.CutPrefix(attr["href"], "#"); ok && ids[href] != 1 {
			t.Errorf("a link points at %q, which is not there", attr["href"])
		}
		switch n.Data {
		case "html":
			if attr["lang"] == "" {
				t.Error("the page has no language")
			}
		case "h1", "h2", "h3", "h4":
			at := int(n.Data[1] - '0')
			if at > level+1 {
				t.Errorf("a heading of level %d follows one of level %d", at, level)
			}
			level = at
		case "th":
			if attr["scope"] == "" {
				t.Error("a table's head has no scope")
			}
		case "table":
			if n.FirstChild.NextSibling == nil || n.FirstChild.NextSibling.Data != "caption" {
				t.Error("a table has no caption")
			}
		case "svg":
			if attr["aria-hidden"] != "true" && (attr["role"] != "img" || attr["aria-labelledby"] == "" || attr["aria-describedby"] == "") {
				t.Error("a drawing has no name or no words")
			}
		}
	}
}

// TestForeignLetters holds that what the font lacks is still said.
func TestForeignLetters(t *testing.T) {
	f, err := Ratios{Level: 0.95, Rows: []Ratio{{Label: "鷺", Value: 1.1, Text: "1.1"}}}.Figure()
	if err != nil {
		t.Fatal(err)
	}
	svg := f.SVG(Wide)
	if !strings.Contains(string(svg), ">鷺</text>") {
		t.Error("letters that the font lacks are not written as text")
	}
	if err := xml.Unmarshal(svg, new(struct{})); err != nil {
		t.Error(err)
	}
}
