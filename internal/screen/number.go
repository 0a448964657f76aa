package screen

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// Digits is how many significant digits a measured number is printed with. Even
// on a quiet rig repeats of a run lie parts in a thousand apart, so a fifth
// digit says nothing of the machine; the fourth is kept so that rounding adds
// nothing. JSON carries the full number.
const Digits = 4

// maxDecimals is where more decimals stop meaning anything for milliseconds and
// rates: clocks that logs are written by tick in microseconds.
const maxDecimals = 3

// Significant prints f with four significant digits and at most three decimals,
// never with an exponent and never dropping digits before the point.
func Significant(f float64) string {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return none
	}
	decimals := Digits - 1
	if f != 0 {
		decimals = Digits - 1 - int(math.Floor(math.Log10(math.Abs(f))))
	}
	decimals = min(max(decimals, 0), maxDecimals)
	s := strconv.FormatFloat(f, 'f', decimals, 64)
	if f != 0 && math.Abs(f) < math.Pow10(-maxDecimals) {
		s = strconv.FormatFloat(f, 'g', 2, 64)
	}
	return s
}

// Milliseconds prints a time: 16.68 ms.
func Milliseconds(ms float64) string { return Significant(ms) + " ms" }

// Rate prints frames a second: 59.94 frames/s.
func Rate(perSecond float64) string { return Significant(perSecond) + " frames/s" }

// Seconds prints a span for a person: 850.0 ms, 20.41 s, 3 min 20 s, 2 h 05 min.
func Seconds(d time.Duration) string {
	switch {
	case d < 0:
		return "-" + Seconds(-d)
	case d == 0:
		return "0 s"
	case d < time.Second:
		return Milliseconds(float64(d) / 1e6)
	case d < 2*time.Minute:
		return Significant(d.Seconds()) + " s"
	case d < 2*time.Hour:
		s := int64(d.Round(time.Second) / time.Second)
		return fmt.Sprintf("%d min %02d s", s/60, s%60)
	}
	m := int64(d.Round(time.Minute) / time.Minute)
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}

// Bytes prints a size in binary units: 512 B, 14.20 MiB.
func Bytes(n int64) string {
	if n < 1024 && n > -1024 {
		return strconv.FormatInt(n, 10) + " B"
	}
	f := float64(n)
	for _, unit := range []string{"KiB", "MiB", "GiB", "TiB"} {
		if f /= 1024; math.Abs(f) < 1024 || unit == "TiB" {
			return Significant(f) + " " + unit
		}
	}
	return ""
}

// Count prints a number of things: 1 flag, 3 flags.
func Count(n int, thing string) string { return Many(n, thing, thing+"s") }

// Many is Count for things whose plural is not made with an s.
func Many(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// At prints a moment to the second in UTC: 2031-03-02 09:03:12.
func At(t time.Time) string {
	if t.IsZero() {
		return none
	}
	return t.UTC().Format("2006-01-02 15:04:05")
}
