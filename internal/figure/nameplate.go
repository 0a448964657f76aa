package figure

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

func (n nameplate) gutters(Form) (left, right vg.Length) { return 0, 0 }
func (n nameplate) height(Form, vg.Length) vg.Length     { return 17 }

func (n nameplate) draw(c draw.Canvas, f Form, _, _ vg.Length) {
	y := c.Max.Y - 8
	label{side: n.side, mark: n.mark}.sample(&c, c.Min.X, y)
	s := bold(style(normal, n.side.ink, draw.XLeft, draw.YCenter))
	put(&c, s, c.Min.X+labelIndent-4, y+lift, fit(s, n.text, f.Width-labelIndent))
}

// digits writes a number with so many significant digits, never with an
// exponent.
func digits(v float64, n int) string {
	if !drawable(v) {
		return "no number"
	}
	decimals := n - 1
	if v != 0 {
		decimals = n - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	}
	s := strconv.FormatFloat(v, 'f', min(max(decimals, 0), 6), 64)
	return strings.Replace(s, "-", "\u2212", 1)
}

func signed(v float64) string {
	if v > 0 {
		return "+" + digits(v, 4)
	}
	return digits(v, 4)
}

// decimals writes a number with so many decimals.
func decimals(v float64, n int) string {
	if !drawable(v) {
		return "no number"
	}
	return strings.Replace(strconv.FormatFloat(v, 'f', n, 64), "-", "\u2212", 1)
}

// plainNumber writes a setting as it would be typed: 1, 0.5.
func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
