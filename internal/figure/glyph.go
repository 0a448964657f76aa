package figure

import (
	"bytes"
	"fmt"
	"strconv"

	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"gonum.org/v1/plot/font"
)

// glyphBook holds the outline of every letter that the drawings of one document
// use, once, in units of the font. Numbers are given in order of first use, so
// the same drawings give the same book.
type glyphBook struct {
	prefix string // of the ids, which are those of a whole document
	known  map[glyph]string
	defs   bytes.Buffer
	buf    sfnt.Buffer
}

type glyph struct {
	bold  bool
	index sfnt.GlyphIndex
}

type placedGlyph struct {
	id string
	x  int
}

func newGlyphBook(prefix string) *glyphBook {
	return &glyphBook{prefix: prefix, known: map[glyph]string{}}
}

// lay places the letters of s on a line, kerned as font.Face.Width measures
// them. It is not ok where the font lacks one.
func (b *glyphBook) lay(f font.Face, s string) ([]placedGlyph, bool) {
	em := fixed.Int26_6(f.Face.UnitsPerEm())
	var indices []sfnt.GlyphIndex
	for _, r := range s {
		i, err := f.Face.GlyphIndex(&b.buf, r)
		if err != nil || i == 0 {
			return nil, false
		}
		indices = append(indices, i)
	}
	var out []placedGlyph
	x := 0
	for n, i := range indices {
		if n > 0 {
			if kern, err := f.Face.Kern(&b.buf, indices[n-1], i, em, xfont.HintingNone); err == nil {
				x += int(kern)
			}
		}
		id, empty, err := b.outline(f, i)
		if err != nil {
			return nil, false
		}
		if !empty {
			out = append(out, placedGlyph{id, x})
		}
		if advance, err := f.Face.GlyphAdvance(&b.buf, i, em, xfont.HintingNone); err == nil {
			x += int(advance)
		}
	}
	return out, true
}

// outline gives the id of a letter and writes its shape when it is new.
func (b *glyphBook) outline(f font.Face, i sfnt.GlyphIndex) (id string, empty bool, err error) {
	g := glyph{f.Font.Weight >= xfont.WeightSemiBold, i}
	if id, ok := b.known[g]; ok {
		return id, id == "", nil
	}
	em := fixed.Int26_6(f.Face.UnitsPerEm())
	segments, err := f.Face.LoadGlyph(&b.buf, i, em, nil)
	if err != nil {
		return "", false, err
	}
	if len(segments) > 0 {
		id = b.prefix + "g" + strconv.Itoa(len(b.known))
		fmt.Fprintf(&b.defs, `<path id="%s" d="%s"/>`+"\n", id, outlineData(segments))
	}
	b.known[g] = id
	return id, id == "", nil
}

// outlineData writes whole units of the font. Its y grows downwards, as SVG's.
func outlineData(segments sfnt.Segments) []byte {
	var d []byte
	for n, s := range segments {
		letter, points := byte('M'), 1
		switch s.Op {
		case sfnt.SegmentOpLineTo:
			letter = 'L'
		case sfnt.SegmentOpQuadTo:
			letter, points = 'Q', 2
		case sfnt.SegmentOpCubeTo:
			letter, points = 'C', 3
		}
		if letter == 'M' && n > 0 {
			d = append(d, 'Z')
		}
		for _, p := range s.Args[:points] {
			d = append(d, letter)
			d = strconv.AppendInt(d, int64(p.X), 10)
			d = append(d, ' ')
			d = strconv.AppendInt(d, int64(p.Y), 10)
			letter = ' '
		}
	}
	return append(d, 'Z')
}

// write gives the book as definitions of an SVG.
func (b *glyphBook) write() string {
	if b.defs.Len() == 0 {
		return ""
	}
	return "<defs>\n" + b.defs.String() + "</defs>\n"
}
