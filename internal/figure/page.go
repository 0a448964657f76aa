package figure

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"strconv"
	"strings"
	"time"
)

// Page is a report: one HTML file that asks for nothing outside itself and has
// no script. Its first line is Lead.
type Page struct {
	Lead     string // "not controlled: …", "controlled: …"
	Warn     bool   // the lead is a warning
	Title    string
	Played   string // a sentence where a run was played, else ""
	About    []string
	Sections []Section
	Made     time.Time
	By       string // the program and its version
}

// Section is a part of the page with a heading of its own.
type Section struct {
	Heading string
	Lead    string // its own first line, where the page has more than one comparison
	Warn    bool
	Parts   []Part
}

// Part is one thing below a heading: exactly one field is set.
type Part struct {
	Text    string
	Verdict *Verdict
	Table   *Table
	Figure  *Figure
	List    []string
	Pre     *Pre
	More    *More
}

// Verdict is the outcome for one workload.
type Verdict struct {
	Subject string   // "orrery 3"
	Word    string   // "different", "refused"
	Ratio   string   // "1.080 (1.072 to 1.087)", or ""
	Lines   []string // what else belongs to it
}

// Table is rows of text. Its first column names the rows.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]string // a short row is filled with empty cells
}

// Column heads a column.
type Column struct {
	Name   string
	Number bool // set right
	Code   bool // ids and hashes, which may break anywhere
	Prose  bool // sentences, which are not squeezed
	Short  bool // is not broken: a date, a run's letters
}

// Columns names columns of text.
func Columns(names ...string) (out []Column) {
	for _, n := range names {
		out = append(out, Column{Name: n})
	}
	return out
}

// Pre is text that is shown byte for byte, such as a signed note.
type Pre struct{ Label, Text string }

// More is parts that are folded away on a screen and printed on paper.
type More struct {
	Summary string
	Parts   []Part
}

//go:embed page.html
var pageText string

//go:embed page.css
var pageStyle string

// HTML gives the page. The same page gives the same bytes.
func (p Page) HTML() ([]byte, error) {
	w := &writing{book: newGlyphBook("")}
	sections := w.sections(p.Sections)
	style := "\n" + pageStyle + nightStyle()
	sum := sha256.Sum256([]byte(style))
	var b bytes.Buffer
	err := pageTemplate.Execute(&b, map[string]any{
		"Page": p, "Sections": sections,
		"Style":  template.CSS(style),
		"Policy": "default-src 'none'; img-src data:; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'",
		"Made":   p.Made.UTC().Format("2006-01-02 15:04 UTC"),
		"Glyphs": template.HTML(w.book.write()),
	})
	if err != nil {
		return nil, fmt.Errorf("write report page: %w", err)
	}
	return b.Bytes(), nil
}

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// writing turns a page's parts into what the template takes, numbering what
// needs an id.
type writing struct {
	book          *glyphBook
	tables, drawn int
}

type sectionOut struct {
	ID string
	Section
	Parts []partOut
}

type partOut struct {
	Part
	ID     string
	Level  int // of a heading of the part
	Figure *figureOut
	Rows   [][]cellOut
	More   *moreOut
}

type moreOut struct {
	Summary string
	Parts   []partOut
}

type cellOut struct {
	Text  string
	Class string
}

type figureOut struct {
	Title, Warning, Rest, Words string
	Wide, Narrow                template.HTML
}

func (w *writing) sections(in []Section) (out []sectionOut) {
	for i, s := range in {
		out = append(out, sectionOut{ID: "part-" + strconv.Itoa(i+1), Section: s, Parts: w.parts(s.Parts)})
	}
	return out
}

func (w *writing) parts(in []Part) (out []partOut) {
	for _, p := range in {
		o := partOut{Part: p}
		switch {
		case p.Table != nil:
			w.tables++
			o.ID = "table-" + strconv.Itoa(w.tables)
			o.Rows = p.Table.cells()
		case p.Figure != nil:
			w.drawn++
			o.ID = "figure-" + strconv.Itoa(w.drawn)
			o.Figure = w.figure(*p.Figure, o.ID)
		case p.More != nil:
			o.More = &moreOut{p.More.Summary, w.parts(p.More.Parts)}
		}
		out = append(out, o)
	}
	return out
}

func (w *writing) figure(f Figure, id string) *figureOut {
	return &figureOut{
		Title: f.Title, Warning: f.warning, Rest: f.rest, Words: f.Words,
		Wide: template.HTML(f.inline(Wide, w.book, id)), Narrow: template.HTML(f.inline(Narrow, w.book, id)),
	}
}

func (t Table) cells() (out [][]cellOut) {
	for _, r := range t.Rows {
		row := make([]cellOut, len(t.Columns))
		for i, c := range t.Columns {
			if i < len(r) {
				row[i].Text = r[i]
			}
			row[i].Class = c.Class()
		}
		out = append(out, row)
	}
	return out
}

// Class is the column's class in the style sheet.
func (c Column) Class() string {
	var s []string
	if c.Number {
		s = append(s, "number")
	}
	if c.Code {
		s = append(s, "code")
	}
	if c.Prose {
		s = append(s, "prose")
	}
	if c.Short {
		s = append(s, "short")
	}
	return strings.Join(s, " ")
}

// night is the inks on a dark screen.
var night = [inks]uint32{
	paper: 0x14191d, words: 0xe6eaed, quiet: 0xa7b2ba, axisInk: 0x77848d, rule: 0x333c43, shade: 0x232b31,
	inkA: 0x86b8ea, inkB: 0xf2a45c, inkC: 0x74c3a1, inkD: 0xbca9e6, inkE: 0xcdb39c,
	faintA: 0x2c4763, faintB: 0x63411f, faintC: 0x28493c, faintD: 0x463a63, faintE: 0x4a3d33,
	step1: 0x1d2830, step2: 0x233e57, step3: 0x2f5a82, step4: 0x6ea3d4, step5: 0xbfdcf6,
}

func nightStyle() string {
	var b strings.Builder
	b.WriteString("@media screen and (prefers-color-scheme: dark) {\n")
	for i, e := range inkTable {
		fmt.Fprintf(&b, ".f-%s { fill: #%06x } .s-%[1]s { stroke: #%06[2]x }\n", e.name, night[i])
	}
	b.WriteString("}\n")
	return b.String()
}
