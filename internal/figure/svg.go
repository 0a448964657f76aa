package figure

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// svgCanvas writes SVG as a vg.Canvas. Unlike the one that comes with the
// library it draws letters as outlines, names its colours for a style sheet, and
// writes no number longer than it needs.
type svgCanvas struct {
	body   bytes.Buffer
	height vg.Length
	stack  []pen
	glyphs *glyphBook
}

// pen is what Push keeps.
type pen struct {
	width  vg.Length
	dashes []vg.Length
	offset vg.Length
	color  color.Color
	to     affine
}

// affine maps (x, y) to (ax+cy+e, bx+dy+f).
type affine struct{ a, b, c, d, e, f float64 }

func (m affine) apply(p vg.Point) (x, y float64) {
	px, py := p.X.Points(), p.Y.Points()
	return m.a*px + m.c*py + m.e, m.b*px + m.d*py + m.f
}

// after is the map that does n first.
func (m affine) after(n affine) affine {
	return affine{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b,
		m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

// newSVG has the origin at the bottom left, as every vg.Canvas has.
func newSVG(height vg.Length, glyphs *glyphBook) *svgCanvas {
	c := &svgCanvas{height: height, glyphs: glyphs}
	c.stack = []pen{{to: affine{1, 0, 0, -1, 0, height.Points()}}}
	vg.Initialize(c)
	return c
}

func (c *svgCanvas) pen() *pen { return &c.stack[len(c.stack)-1] }

func (c *svgCanvas) SetLineWidth(w vg.Length) { c.pen().width = w }

func (c *svgCanvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.pen().dashes, c.pen().offset = pattern, offset
}

func (c *svgCanvas) SetColor(clr color.Color) {
	if clr == nil {
		clr = words
	}
	c.pen().color = clr
}

func (c *svgCanvas) Push() { c.stack = append(c.stack, *c.pen()) }
func (c *svgCanvas) Pop()  { c.stack = c.stack[:len(c.stack)-1] }

func (c *svgCanvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.pen().to = c.pen().to.after(affine{cos, sin, -sin, cos, 0, 0})
}

func (c *svgCanvas) Translate(p vg.Point) {
	c.pen().to = c.pen().to.after(affine{1, 0, 0, 1, p.X.Points(), p.Y.Points()})
}

func (c *svgCanvas) Scale(x, y float64) { c.pen().to = c.pen().to.after(affine{x, 0, 0, y, 0, 0}) }

func (c *svgCanvas) Stroke(p vg.Path) {
	if c.pen().width <= 0 || len(p) == 0 {
		return
	}
	fmt.Fprintf(&c.body, `<path fill="none" %s stroke-width="%s"`, paint("stroke", c.pen().color), decimal(c.pen().width.Points()))
	if len(c.pen().dashes) > 0 {
		c.body.WriteString(` stroke-dasharray="`)
		for i, d := range c.pen().dashes {
			if i > 0 {
				c.body.WriteByte(' ')
			}
			c.body.WriteString(decimal(d.Points()))
		}
		c.body.WriteByte('"')
		if c.pen().offset != 0 {
			fmt.Fprintf(&c.body, ` stroke-dashoffset="%s"`, decimal(c.pen().offset.Points()))
		}
	}
	fmt.Fprintf(&c.body, ` d="%s"/>`+"\n", c.data(p))
}

func (c *svgCanvas) Fill(p vg.Path) {
	if len(p) > 0 {
		fmt.Fprintf(&c.body, `<path %s d="%s"/>`+"\n", paint("fill", c.pen().color), c.data(p))
	}
}

// paint gives a colour as a class, for a style sheet, and as an attribute,
// which holds where there is none.
func paint(attribute string, clr color.Color) string {
	if i, ok := clr.(ink); ok {
		e := inkTable[i]
		return fmt.Sprintf(`class="%c-%s" %s="#%02x%02x%02x"`, attribute[0], e.name, attribute, e.R, e.G, e.B)
	}
	n := color.NRGBAModel.Convert(clr).(color.NRGBA)
	return fmt.Sprintf(`%s="#%02x%02x%02x"`, attribute, n.R, n.G, n.B)
}

func (c *svgCanvas) data(p vg.Path) []byte {
	var b []byte
	to := c.pen().to
	point := func(letter byte, q vg.Point) {
		x, y := to.apply(q)
		b = append(b, letter)
		b = appendDecimal(b, x)
		b = append(b, ' ')
		b = appendDecimal(b, y)
	}
	for _, comp := range p {
		switch comp.Type {
		case vg.MoveComp:
			point('M', comp.Pos)
		case vg.LineComp:
			point('L', comp.Pos)
		case vg.ArcComp:
			for i := 0.; i <= 32; i++ {
				sin, cos := math.Sincos(comp.Start + comp.Angle*i/32)
				at := comp.Pos.Add(vg.Point{X: comp.Radius * vg.Length(cos), Y: comp.Radius * vg.Length(sin)})
				if len(b) == 0 {
					point('M', at)
				} else {
					point('L', at)
				}
			}
		case vg.CurveComp:
			letter := byte('Q')
			if len(comp.Control) == 2 {
				letter = 'C'
			}
			for _, q := range comp.Control {
				point(letter, q)
				letter = ' '
			}
			point(letter, comp.Pos)
		case vg.CloseComp:
			b = append(b, 'Z')
		}
	}
	return b
}

func decimal(x float64) string { return string(appendDecimal(nil, x)) }

// appendDecimal writes x to a hundredth, which is less than a screen or a press
// can show.
func appendDecimal(b []byte, x float64) []byte {
	x = math.Round(x*100) / 100
	if x == 0 { // and not -0
		return append(b, '0')
	}
	return strconv.AppendFloat(b, x, 'f', -1, 64)
}

// FillString draws outlines. Letters that the font lacks are left to whatever
// shows the file, in the room that the font would give them.
func (c *svgCanvas) FillString(f font.Face, at vg.Point, s string) {
	if s == "" || f.Font.Size <= 0 {
		return
	}
	x, y := c.pen().to.apply(at)
	m := c.pen().to
	placed, ok := c.glyphs.lay(f, s)
	if !ok {
		fmt.Fprintf(&c.body, `<text %s font-family="sans-serif" font-size="%s" textLength="%s" lengthAdjust="spacingAndGlyphs" transform="matrix(%s %s %s %s %s %s)">%s</text>`+"\n",
			paint("fill", c.pen().color), decimal(f.Font.Size.Points()), decimal(f.Width(s).Points()),
			decimal(m.a), decimal(m.b), decimal(-m.c), decimal(-m.d), decimal(x), decimal(y), escape(s))
		return
	}
	scale := f.Font.Size.Points() / float64(f.Face.UnitsPerEm())
	number := func(v float64) string { return strconv.FormatFloat(v*scale, 'g', 5, 64) }
	fmt.Fprintf(&c.body, `<g %s transform="matrix(%s %s %s %s %s %s)">`, paint("fill", c.pen().color),
		number(m.a), number(m.b), number(-m.c), number(-m.d), decimal(x), decimal(y))
	for _, g := range placed {
		fmt.Fprintf(&c.body, `<use href="#%s"`, g.id)
		if g.x != 0 {
			fmt.Fprintf(&c.body, ` x="%d"`, g.x)
		}
		c.body.WriteString("/>")
	}
	c.body.WriteString("</g>\n")
}

// DrawImage is not used: no figure holds a bitmap.
func (c *svgCanvas) DrawImage(vg.Rectangle, image.Image) {}

// escape makes text safe between tags and in attributes. What XML cannot hold
// becomes U+FFFD.
func escape(s string) string {
	var b bytes.Buffer
	xml.EscapeText(&b, []byte(s)) // a bytes.Buffer does not fail
	return b.String()
}
