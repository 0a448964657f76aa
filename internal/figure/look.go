package figure

import (
	"image/color"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// ink is a colour by the part it plays. A page's style sheet gives the parts
// other colours on a dark screen; files and print have those here.
type ink int

const (
	paper   ink = iota
	words       // what is read
	quiet       // what is read second
	axisInk     // edges and ticks
	rule        // lines behind the data
	shade       // areas behind the data
	inkA        // the sides, and their fainter forms for areas and single runs
	inkB
	inkC
	inkD
	inkE
	faintA
	faintB
	faintC
	faintD
	faintE
	step1 // cells of a grid, from low to high
	step2
	step3
	step4
	step5
	inks
)

// inkTable holds the name of each ink in the style sheet and its colour. The
// sides differ in lightness too: 27, 47, 39, 46 and 31 of 100 in CIELAB.
var inkTable = [inks]struct {
	name string
	color.NRGBA
}{
	paper:   {"paper", rgb(0xffffff)},
	words:   {"words", rgb(0x1b2329)},
	quiet:   {"quiet", rgb(0x56626b)},
	axisInk: {"axis", rgb(0x7d8991)},
	rule:    {"rule", rgb(0xdde2e5)},
	shade:   {"shade", rgb(0xeef1f3)},
	inkA:    {"a", rgb(0x14426f)},
	inkB:    {"b", rgb(0xbd5a0c)},
	inkC:    {"c", rgb(0x2b6650)},
	inkD:    {"d", rgb(0x7a63a8)},
	inkE:    {"e", rgb(0x5a4636)},
	faintA:  {"fa", rgb(0xb9cbdd)},
	faintB:  {"fb", rgb(0xf3cfae)},
	faintC:  {"fc", rgb(0xbcd6cb)},
	faintD:  {"fd", rgb(0xddd6ec)},
	faintE:  {"fe", rgb(0xd6cdc5)},
	step1:   {"s1", rgb(0xf1f5f8)},
	step2:   {"s2", rgb(0xd3e0eb)},
	step3:   {"s3", rgb(0xa9c3d9)},
	step4:   {"s4", rgb(0x5f8db5)},
	step5:   {"s5", rgb(0x14426f)},
}

func rgb(v uint32) color.NRGBA {
	return color.NRGBA{R: uint8(v >> 16), G: uint8(v >> 8), B: uint8(v), A: 0xff}
}

// RGBA makes an ink a color.Color.
func (i ink) RGBA() (r, g, b, a uint32) { return inkTable[i].NRGBA.RGBA() }

// side is how the series of one side are told apart: base is side 0.
type side struct {
	ink, faint ink
	dashes     []vg.Length
	mark       mark
}

var sides = []side{
	{inkA, faintA, nil, disc},
	{inkB, faintB, []vg.Length{5, 2.2}, square},
	{inkC, faintC, []vg.Length{1.4, 1.8}, triangle},
	{inkD, faintD, []vg.Length{8, 2, 1.4, 2}, diamond},
	{inkE, faintE, []vg.Length{10, 3}, cross},
}

func sideOf(i int) side { return sides[i%len(sides)] }

func (s side) line(width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: s.ink, Width: width, Dashes: s.dashes}
}

func plain(i ink, width vg.Length) draw.LineStyle { return draw.LineStyle{Color: i, Width: width} }

// Sizes of text, in points of a drawing Wide or Narrow across.
const (
	small  vg.Length = 10.5
	normal vg.Length = 11.5
	large  vg.Length = 14
)

func style(size vg.Length, i ink, x text.XAlignment, y text.YAlignment) text.Style {
	return text.Style{
		Color:   i,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  x,
		YAlign:  y,
		Handler: text.Plain{Fonts: font.DefaultCache},
	}
}

func bold(s text.Style) text.Style {
	s.Font.Weight = xfont.WeightBold
	return s
}

// mark is the shape of a single measurement.
type mark int

const (
	disc mark = iota
	square
	triangle
	diamond
	cross
)

// draw puts the mark at p: open ones are filled with paper, so that marks that
// lie over each other stay countable.
func (m mark) draw(c *draw.Canvas, p vg.Point, r vg.Length, i ink, open bool) {
	var path vg.Path
	corner := func(x, y vg.Length) {
		q := vg.Point{X: p.X + x*r, Y: p.Y + y*r}
		if len(path) == 0 {
			path.Move(q)
		} else {
			path.Line(q)
		}
	}
	switch m {
	case square:
		corner(-.9, -.9)
		corner(.9, -.9)
		corner(.9, .9)
		corner(-.9, .9)
	case triangle:
		corner(0, 1.15)
		corner(-1.05, -.75)
		corner(1.05, -.75)
	case diamond:
		corner(0, 1.25)
		corner(-1.25, 0)
		corner(0, -1.25)
		corner(1.25, 0)
	case cross:
		c.StrokeLine2(plain(i, 1.3), p.X-r, p.Y-r, p.X+r, p.Y+r)
		c.StrokeLine2(plain(i, 1.3), p.X-r, p.Y+r, p.X+r, p.Y-r)
		return
	default:
		path = circle(p, r)
	}
	path.Close()
	fill := i
	if open {
		fill = paper
	}
	c.SetColor(fill)
	c.Fill(path)
	c.SetLineStyle(plain(i, 1.2))
	c.Stroke(path)
}

// circle is four Bézier quarters; the error of the approximation is 3 parts in
// 10,000 of the radius.
func circle(p vg.Point, r vg.Length) vg.Path {
	const k = 0.5522847498
	at := func(x, y vg.Length) vg.Point { return vg.Point{X: p.X + x*r, Y: p.Y + y*r} }
	var path vg.Path
	path.Move(at(1, 0))
	path.CubeTo(at(1, k), at(k, 1), at(0, 1))
	path.CubeTo(at(-k, 1), at(-1, k), at(-1, 0))
	path.CubeTo(at(-1, -k), at(-k, -1), at(0, -1))
	path.CubeTo(at(k, -1), at(1, -k), at(1, 0))
	return path
}
