package figure

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// ErrNothing is returned for a figure whose input has nothing to draw.
var ErrNothing = errors.New("there is nothing to draw")

// Head is what every figure must know of its runs.
type Head struct {
	Name          string // of the figure's file: letters, digits and dashes
	Subject       string // "orrery 3, heron"
	NotControlled string // what spoils the comparison, or "" where it is controlled or nothing is compared
	Played        bool   // any of the runs was played
}

// Figure is one drawing with its words.
type Figure struct {
	Name    string
	Title   string
	Caption string // begins with "not controlled:" where that is so
	Words   string // what the drawing shows, with its numbers
	warning string // the two parts of the caption
	rest    string
	lay     func(Form) []block
}

// figure puts together what all kinds have in common. A caption's parts are
// sentences.
func (h Head) figure(kind string, words []string, caption []string, lay func(Form) []block) Figure {
	f := Figure{Name: nameOf(h.Name, kind), Title: kind, Words: clean(strings.Join(words, " ")), lay: lay}
	if h.Subject != "" {
		f.Title = clean(h.Subject + ": " + kind)
	}
	if h.NotControlled != "" {
		f.warning = clean("not controlled: " + strings.TrimRight(h.NotControlled, ". ") + ".")
	}
	if h.Played {
		caption = append([]string{"These runs were played, not measured."}, caption...)
	}
	f.rest = clean(strings.Join(caption, " "))
	f.Caption = strings.TrimSpace(f.warning + " " + f.rest)
	return f
}

// nameOf keeps of a name what every file system and every document takes.
func nameOf(name, kind string) string {
	s := strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z', '0' <= r && r <= '9':
			return r
		case 'A' <= r && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, name+" "+kind)
	for strings.Contains(s, "--") {
		s = strings.ReplaceAll(s, "--", "-")
	}
	s = strings.Trim(s, "-")
	return s[:min(len(s), 80)]
}

// clean makes text from outside safe to draw: control characters, marks that
// turn the direction of writing and broken bytes become a sign that is seen.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case r == utf8.RuneError || unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == 0x2028 || r == 0x2029:
			return utf8.RuneError
		case r == 0xfffe || r == 0xffff:
			return utf8.RuneError
		}
		return r
	}, s)
}

func (f Figure) sheet(form Form) sheet { return sheet{form, f.lay(form)} }

// whole is the sheet with title and caption, for a file of its own.
func (f Figure) whole(form Form) sheet {
	s := f.sheet(form)
	blocks := []block{note{style: bold(style(large, words, draw.XLeft, draw.YTop)), text: f.Title}, space(6)}
	blocks = append(blocks, s.blocks...)
	if f.warning != "" {
		blocks = append(blocks, note{style: bold(style(small, words, draw.XLeft, draw.YTop)), text: f.warning, above: 4})
	}
	caption := note{style: style(small, quiet, draw.XLeft, draw.YTop), text: f.rest, above: 4}
	return sheet{form, append(blocks, caption, space(2))}
}

// space is a gap between blocks.
type space vg.Length

func (s space) gutters(Form) (left, right vg.Length)         { return 0, 0 }
func (s space) height(Form, vg.Length) vg.Length             { return vg.Length(s) }
func (s space) draw(draw.Canvas, Form, vg.Length, vg.Length) {}

// SVG gives the figure as a file of its own, title and caption in it.
func (f Figure) SVG(form Form) []byte {
	s := f.whole(form)
	book := newGlyphBook(f.Name + "-" + form.String() + "-")
	const margin = 10
	w, h := form.Width+2*margin, s.height()+2*margin
	c := newSVG(h, book)
	canvas := draw.NewCanvas(c, w, h)
	canvas.SetColor(paper)
	canvas.Fill(canvas.Rectangle.Path())
	s.draw(draw.Crop(canvas, margin, -margin, margin, -margin))
	var b bytes.Buffer
	b.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n")
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%s" height="%s" viewBox="0 0 %[1]s %[2]s" role="img" aria-labelledby="%[3]s-t" aria-describedby="%[3]s-d">`+"\n",
		decimal(w.Points()), decimal(h.Points()), f.Name)
	f.titles(&b, f.Name, f.Caption+" "+f.Words)
	b.WriteString(book.write())
	b.Write(c.body.Bytes())
	b.WriteString("</svg>\n")
	return b.Bytes()
}

func (f Figure) titles(b *bytes.Buffer, id, words string) {
	fmt.Fprintf(b, "<title id=\"%s-t\">%s</title>\n<desc id=\"%[1]s-d\">%[3]s</desc>\n", id, escape(f.Title), escape(words))
}

// inline gives the drawing alone as part of a page, whose book has its letters.
func (f Figure) inline(form Form, book *glyphBook, id string) string {
	s := f.sheet(form)
	h := s.height()
	c := newSVG(h, book)
	s.draw(draw.NewCanvas(c, form.Width, h))
	var b bytes.Buffer
	id += "-" + form.String()
	fmt.Fprintf(&b, `<svg class="%s" viewBox="0 0 %s %s" role="img" aria-labelledby="%[4]s-t" aria-describedby="%[4]s-d">`+"\n",
		form, decimal(form.Width.Points()), decimal(h.Points()), id)
	f.titles(&b, id, f.Words)
	b.Write(c.body.Bytes())
	b.WriteString("</svg>")
	return b.String()
}

// PNG gives the figure as a bitmap of its own, title and caption in it, on white.
// The resolution is in pixels an inch, of which the wide form is 9.7 wide; it is
// kept between 72 and 600.
func (f Figure) PNG(form Form, resolution int) ([]byte, error) {
	s := f.whole(form)
	const margin = 10
	w, h := form.Width+2*margin, s.height()+2*margin
	c := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(w, h), vgimg.UseDPI(min(max(resolution, 72), 600)))}
	canvas := draw.NewCanvas(c, w, h)
	s.draw(draw.Crop(canvas, margin, -margin, margin, -margin))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("draw %s as PNG: %w", f.Name, err)
	}
	return b.Bytes(), nil
}
