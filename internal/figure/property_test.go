package figure

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// anyNumber gives what may come from outside: usual, equal, tiny, huge, none.
func anyNumber() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.Float64Range(0.1, 1000),
		rapid.SampledFrom([]float64{0, 1, 100, 100, -3, 1e-9, 1e11, 1e12, 1e13, -1e12, 5e-324, 1e308, math.NaN(), math.Inf(1), math.Inf(-1)}),
		rapid.Float64(),
	)
}

func numbers(t *rapid.T, name string, most int) []float64 {
	return rapid.SliceOfN(anyNumber(), 0, most).Draw(t, name)
}

func nanos(t *rapid.T, name string) []int64 {
	return rapid.SliceOfN(rapid.OneOf(rapid.Int64Range(1e6, 4e7), rapid.SampledFrom([]int64{0, -1, 1, 5e9, 4e14, math.MaxInt64})), 0, 400).Draw(t, name)
}

func anyText() *rapid.Generator[string] {
	return rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "heron, memory-rated", strings.Repeat("long ", 60), strings.Repeat("w", 300), "<&\"'>", "\x00\xff\u202e", "鷺", "a\nb"}))
}

func anyHead(t *rapid.T) Head {
	return Head{Name: anyText().Draw(t, "name"), Subject: anyText().Draw(t, "subject"), NotControlled: anyText().Draw(t, "spoiled"), Played: rapid.Bool().Draw(t, "played")}
}

func anyDuration(t *rapid.T, name string) time.Duration {
	return time.Duration(rapid.OneOf(rapid.Int64Range(-1e10, 1e12), rapid.SampledFrom([]int64{0, math.MaxInt64, math.MinInt64})).Draw(t, name))
}

// anyFigure draws one input of any kind.
func anyFigure(t *rapid.T) interface{ Figure() (Figure, error) } {
	h := anyHead(t)
	text := func(name string) string { return anyText().Draw(t, name) }
	moment := func() *Moment {
		if !rapid.Bool().Draw(t, "has moment") {
			return nil
		}
		return &Moment{anyDuration(t, "from"), anyDuration(t, "to"), text("moment")}
	}
	count := func(name string) int { return rapid.IntRange(0, 6).Draw(t, name) }
	switch rapid.IntRange(0, 8).Draw(t, "kind") {
	case 0:
		f := FrameTimes{Head: h, Moment: moment(), Window: time.Duration(rapid.Int64Range(-1, 5e9).Draw(t, "window")), ByFrame: rapid.Bool().Draw(t, "by frame")}
		for range count("traces") {
			f.Traces = append(f.Traces, Trace{text("label"), nanos(t, "frames"), time.Duration(rapid.Int64Range(-1e10, 1e10).Draw(t, "shift"))})
		}
		return f
	case 1:
		f := RateAlong{Head: h, Labels: [2]string{text("base"), text("against")}, Window: 2 * time.Second, Base: numbers(t, "base", 60), Against: numbers(t, "against", 60), Moment: moment(), Repeats: anyNumber().Draw(t, "repeats")}
		for i := range 60 {
			f.Start = append(f.Start, time.Duration(i)*time.Second)
		}
		return f
	case 2:
		f := Distribution{Head: h}
		for range count("groups") {
			g := Group{Label: text("label"), Side: count("side")}
			for range count("runs") {
				g.Runs = append(g.Runs, nanos(t, "frames"))
			}
			f.Groups = append(f.Groups, g)
		}
		return f
	case 3:
		f := Repeats{Head: h, What: "mean rate", Unit: text("unit"), Level: 0.95}
		for range count("rows") {
			n := anyNumber()
			f.Rows = append(f.Rows, Row{text("label"), count("side"), numbers(t, "values", 12), n.Draw(t, "mean"), n.Draw(t, "low"), n.Draw(t, "high"), text("text"), text("head")})
		}
		return f
	case 4:
		f := Ratios{Head: h, What: text("what"), Margin: rapid.Float64Range(0, 0.2).Draw(t, "margin"), Level: 0.95}
		for range count("rows") {
			n := anyNumber()
			f.Rows = append(f.Rows, Ratio{text("label"), n.Draw(t, "value"), n.Draw(t, "low"), n.Draw(t, "high"), text("text")})
		}
		return f
	case 5:
		f := Grid{Head: h, A: text("a"), B: text("b"), Unit: text("unit"), Level: 0.95}
		for range 2 * count("cells") {
			n := anyNumber()
			f.Cells = append(f.Cells, Cell{n.Draw(t, "a"), n.Draw(t, "b"), count("runs"), n.Draw(t, "mean"), n.Draw(t, "low"), n.Draw(t, "high")})
		}
		return f
	case 6:
		f := Shares{Head: h, Level: 0.9}
		for range count("rows") {
			n := anyNumber()
			f.Rows = append(f.Rows, Share{text("label"), n.Draw(t, "value"), n.Draw(t, "low"), n.Draw(t, "high")})
		}
		return f
	case 7:
		f := History{Head: h, Note: text("note")}
		at := func() time.Time {
			return time.Unix(rapid.OneOf(rapid.Int64Range(0, 4e9), rapid.SampledFrom([]int64{-62135596800, 253402300799})).Draw(t, "at"), 0)
		}
		for range count("charts") {
			n := anyNumber()
			c := Chart{Name: text("name"), Unit: text("unit"), Low: n.Draw(t, "low"), High: n.Draw(t, "high")}
			for range count("points") {
				c.Points = append(c.Points, Point{at(), n.Draw(t, "value"), rapid.Bool().Draw(t, "flagged"), rapid.Bool().Draw(t, "excluded")})
				c.Levels = append(c.Levels, Level{at(), at(), n.Draw(t, "level")})
			}
			f.Charts = append(f.Charts, c)
		}
		for range count("changes") {
			f.Changes = append(f.Changes, Change{at(), text("change")})
		}
		return f
	}
	f := Course{Head: h}
	for range count("strips") {
		s := Strip{Name: text("name"), Unit: text("unit"), Band: rapid.Bool().Draw(t, "band"), FromZero: rapid.Bool().Draw(t, "from zero")}
		for range rapid.IntRange(0, 8).Draw(t, "tracks") {
			tr := Track{Label: text("label"), Values: numbers(t, "values", 700)}
			step := time.Duration(rapid.Int64Range(0, 1e9).Draw(t, "step"))
			for i := range tr.Values {
				tr.Offsets = append(tr.Offsets, step*time.Duration(i))
			}
			s.Tracks = append(s.Tracks, tr)
		}
		for range count("bounds") {
			s.Bounds = append(s.Bounds, Bound{text("bound"), anyNumber().Draw(t, "limit")})
		}
		f.Strips = append(f.Strips, s)
	}
	for range count("events") {
		f.Events = append(f.Events, Event{anyDuration(t, "from"), anyDuration(t, "to"), text("event")})
	}
	return f
}

var (
	pathData  = regexp.MustCompile(` d="([^"]*)"`)
	positions = regexp.MustCompile(`-?[0-9.]+(e[-+][0-9]+)?`)
	notNumber = regexp.MustCompile(`"[^"<>]*(NaN|Inf)[^"<>]*"`)
)

// TestEverythingLiesOnTheDrawing draws whatever comes: the file is well formed, no
// place is without a number, and nothing lies outside the drawing, which it would
// if an axis did not cover what it is drawn on.
func TestEverythingLiesOnTheDrawing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f, err := anyFigure(t).Figure()
		if err != nil {
			if !errors.Is(err, ErrNothing) {
				t.Fatal(err)
			}
			return
		}
		for _, form := range []Form{Wide, Narrow} {
			if err := onDrawing(f.SVG(form), form); err != nil {
				t.Fatalf("%s: %v", f.Name, err)
			}
		}
	})
}

func onDrawing(svg []byte, form Form) error {
	for d := xml.NewDecoder(strings.NewReader(string(svg))); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return err
		}
	}
	_, body, _ := strings.Cut(string(svg), "</desc>")
	if at := notNumber.FindString(body); at != "" {
		return fmt.Errorf("a place without a number: %s", at)
	}
	if _, after, ok := strings.Cut(body, "</defs>"); ok {
		body = after
	}
	var height float64
	fmt.Sscanf(string(regexp.MustCompile(`viewBox="0 0 [0-9.]+ ([0-9.]+)"`).FindSubmatch(svg)[1]), "%g", &height)
	const slack = 8 // marks and strokes reach over what they stand for
	for _, m := range pathData.FindAllStringSubmatch(body, -1) {
		for i, n := range positions.FindAllString(m[1], -1) {
			v, err := strconv.ParseFloat(n, 64)
			if err != nil {
				return err
			}
			most := form.Width.Points() + 20
			if i%2 == 1 {
				most = height
			}
			if v < -slack || v > most+slack {
				return fmt.Errorf("%v lies outside 0 to %v in %.80s", v, most, m[1])
			}
		}
	}
	return nil
}

// TestAxesCover holds that every kind of axis covers what it was made for, with at
// least one tick, ticks that lie on it in order, and labels that tell them apart.
func TestAxesCover(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := nothing()
		e.add(numbers(t, "values", 20)...)
		count := rapid.IntRange(1, 9).Draw(t, "count")
		axes := map[string]axis{"along": along(e, count), "fromZero": fromZero(e, count), "near": near(e, count), "heights": heights(e, 1, count)}
		if !e.empty() && e.low > 0 {
			axes["logarithmic"] = logarithmic(e)
		}
		for name, a := range axes {
			if !(a.min < a.max) || !e.empty() && (a.min > e.low || a.max < e.high) {
				t.Fatalf("%s covers %v to %v of %v", name, a.min, a.max, e)
			}
			if name == "fromZero" && (a.min > 0 || a.max < 0) || name == "near" && !a.torn && (a.min > 0 || a.max < 0) {
				t.Fatalf("%s from %v to %v has no zero and does not say so", name, a.min, a.max)
			}
			if (a.torn) != (a.warning != "") {
				t.Fatalf("%s: torn %v, warning %q", name, a.torn, a.warning)
			}
			seen := map[string]bool{}
			for i, tick := range a.ticks {
				if tick.Value < a.min || tick.Value > a.max || i > 0 && tick.Value <= a.ticks[i-1].Value || seen[tick.Label] {
					t.Fatalf("%s from %v to %v has the ticks %v", name, a.min, a.max, a.ticks)
				}
				seen[tick.Label] = true
			}
			if len(a.ticks) == 0 || len(a.ticks) > 40 {
				t.Fatalf("%s from %v to %v has %d ticks", name, a.min, a.max, len(a.ticks))
			}
		}
	})
}

// TestThinningKeepsExtremes holds that thinning loses neither the lowest nor the
// highest value, nor a spike of a single frame in a million.
func TestThinningKeepsExtremes(t *testing.T) {
	const n = 1_000_000
	frames := make([]int64, n)
	for i := range frames {
		frames[i] = 8_000_000
	}
	frames[n/3] = 31_000_000
	f, err := FrameTimes{Traces: []Trace{{Label: "heron", Nanos: frames}}}.Figure()
	if err != nil {
		t.Fatal(err)
	}
	if svg := f.SVG(Wide); len(svg) > 200_000 {
		t.Errorf("a million frames make a file of %d bytes", len(svg))
	}
	all := FrameTimes{Window: time.Second}
	d := all.describe(Trace{Nanos: frames})
	c := all.columns(d, along(extent{d.begin, d.end}, 9), columnsOf(Wide))
	if e := c.extent(); e != (extent{8, 31}) {
		t.Errorf("thinned, the frame times lie between %v and %v ms", e.low, e.high)
	}
	if !strings.Contains(f.Caption, "1\u2009000\u2009000 frames") || !strings.Contains(f.Caption, "560 columns") {
		t.Errorf("the caption does not say that it was thinned: %s", f.Caption)
	}
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 500).Draw(t, "values")
		c := newColumns(0, float64(len(values)), rapid.IntRange(1, 80).Draw(t, "columns"))
		want := nothing()
		want.add(values...)
		for i, v := range values {
			c.add(float64(i), float64(i+1), v)
		}
		if c.extent() != want {
			t.Fatalf("thinned to %v, the values lie in %v", c.extent(), want)
		}
	})
}

// TestInksAreTold holds the house look to numbers: text of every ink on paper at
// 4.5 to 1 (WCAG 2.2, 1.4.3, from memory), by day and by night, and the two sides
// of a comparison apart in grey.
func TestInksAreTold(t *testing.T) {
	luminance := func(v uint32) float64 {
		part := func(c uint32) float64 {
			x := float64(c&0xff) / 255
			if x <= 0.04045 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*part(v>>16) + 0.7152*part(v>>8) + 0.0722*part(v)
	}
	contrast := func(a, b uint32) float64 {
		x, y := luminance(a), luminance(b)
		return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
	}
	day := func(i ink) uint32 {
		e := inkTable[i]
		return uint32(e.R)<<16 | uint32(e.G)<<8 | uint32(e.B)
	}
	for _, i := range []ink{words, quiet, inkA, inkB, inkC, inkD, inkE} {
		for _, ground := range []ink{paper, shade} {
			if c := contrast(day(i), day(ground)); c < 4.5 && !(ground == shade && i != words) {
				t.Errorf("ink %s on %s has a contrast of %.2f", inkTable[i].name, inkTable[ground].name, c)
			}
			if c := contrast(night[i], night[ground]); c < 4.5 {
				t.Errorf("by night ink %s on %s has a contrast of %.2f", inkTable[i].name, inkTable[ground].name, c)
			}
		}
	}
	if c := contrast(day(inkA), day(inkB)); c < 2 {
		t.Errorf("the two sides have a contrast of %.2f in grey", c)
	}
	for k := range step5 - step1 + 1 {
		letters := words
		if k >= 3 {
			letters = paper
		}
		if c := contrast(day(step1+k), day(letters)); c < 3 {
			t.Errorf("the letters of cell shade %d have a contrast of %.2f", k+1, c)
		}
		if c := contrast(night[step1+k], night[letters]); c < 3 {
			t.Errorf("by night the letters of cell shade %d have a contrast of %.2f", k+1, c)
		}
	}
}
