package stats

// Code is the stable id of a reason; the words after it may change.
type Code string

// Reasons that concern one run.
const (
	TooFewFrames    Code = "too_few_frames"       // fewer than two frame times
	NotPositive     Code = "not_positive"         // a time, rate or score of zero or less, or not a finite number
	TooShort        Code = "too_short"            // the run lasts less than the least elapsed time
	TooLong         Code = "too_long"             // the sum of the frame times overflows
	BadOption       Code = "bad_option"           // the caller asked for a method that does not exist
	Stall           Code = "stall"                // one frame takes more than 5 s, or more than 10 % of the run
	TailTooThin     Code = "tail_too_thin"        // fewer than five values lie beyond the percentile
	TailEmpty       Code = "tail_empty"           // less than one value lies beyond the percentile
	WindowTooLong   Code = "window_too_long"      // the run is shorter than two windows
	WindowTooNarrow Code = "window_too_narrow"    // the window is shorter than three of the longest frame
	ZeroVariance    Code = "zero_variance"        // all values are equal, the quotient does not exist
	Synchronised    Code = "display_synchronised" // the threshold was raised so that jitter does not decide
)
