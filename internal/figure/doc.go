// Package figure draws what a comparison or a run has to show, as SVG and PNG,
// and sets the report page that carries the drawings with their words.
//
// A Figure is one drawing with its title, its caption and the same said in
// words for a reader who cannot see it. Each kind of figure has an input of
// plain values: FrameTimes, RateAlong, Distribution, Repeats, Ratios, Grid,
// Shares, History, Course. A Page is a report.
//
//	f, err := figure.Repeats{
//		Head: figure.Head{Subject: "orrery 3", NotControlled: "firmware.version differs"},
//		Unit: "frames/s", Level: 0.95,
//		Rows: []figure.Row{{Label: "heron, memory-default", Values: []float64{131.2, 130.9, 131.4}, …}},
//	}.Figure()
//	svg := f.SVG(figure.Wide)
//
// Rules that hold for every figure. A bar starts at zero. Any other axis that
// does not is torn along its edge and says so, and so does a logarithmic one.
// Sides differ by line, marker and label as well as by colour, and stay apart in
// grey. The caption of a comparison that is not controlled begins with "not
// controlled:" and the facts; it says played where a run was played. A series
// that has more points than the drawing has columns is drawn from the lowest to
// the highest of each column, and the caption says so. What is no number, or
// beyond 10^12, is left out and counted in the caption. The letters are outlines
// of Liberation Sans, so that a file looks the same everywhere and asks for
// nothing. The same input gives the same bytes.
//
// The package computes no statistic that a reader could take for a result but
// what a drawing is made of: means over a window and percentiles. It reads no
// file, asks no network, and knows no clock.
package figure
