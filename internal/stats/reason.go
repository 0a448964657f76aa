package stats

// Code is the stable id of a reason; the words after it may change.
type Code string

// Reasons that concern one run.
const (
	TooFewFrames    Code = "too_few_frames"       // fewer than two frame times
	NotPositive     Code = "not_positive"         // a time, rate or score of zero or less, or not a finite number
	TooShort        Code = "too_short"            // the run lasts less than the least elapsed time
	TooLong         Code = "too_long"             // the run lasts longer than the method takes, or its sum overflows
	BadOption       Code = "bad_option"           // the caller asked for a method that does not exist
	Stall           Code = "stall"                // one frame takes more than 5 s, or more than 10 % of the run
	DroppedRows     Code = "dropped_rows"         // the frame times do not fill the span of the time stamps
	TailTooThin     Code = "tail_too_thin"        // fewer than five values lie beyond the percentile
	TailEmpty       Code = "tail_empty"           // less than one value lies beyond the percentile
	WindowTooLong   Code = "window_too_long"      // the run is shorter than two windows
	WindowTooNarrow Code = "window_too_narrow"    // the window is shorter than three of the longest frame
	ZeroVariance    Code = "zero_variance"        // all values are equal, the quotient does not exist
	Synchronised    Code = "display_synchronised" // the threshold was raised so that jitter does not decide
)

// Reasons that concern a series of values or the runs of one configuration.
const (
	TooFewValues   Code = "too_few_values"        // the method needs more values than there are
	BlockCapped    Code = "block_capped"          // the dependence is too long for a block bootstrap
	Alternating    Code = "alternating"           // negative dependence, no autocorrelation time
	SingleRun      Code = "single_run"            // one run has no interval
	NoVariation    Code = "no_observed_variation" // identical rounded values say nothing about the spread
	OneSession     Code = "one_session"           // nothing is known about the spread between sessions
	SessionSpread  Code = "sessions_differ"       // the spread between sessions rules the uncertainty
	WeakEvidence   Code = "weak_evidence"         // a rule of thumb, no test of known error rate
	NeverSettled   Code = "never_settled"         // the warm-up takes half of the series or more
	OrderConfound  Code = "order_confounded"      // all runs of one side came before all of the other
	TooManyRepeats Code = "too_many_repeats"      // no practicable number of repeats resolves it
	SpreadUnknown  Code = "spread_unknown"        // the number of repeats needs a spread to start from
)

// Reasons that concern a comparison.
const (
	BadSide         Code = "side_refused"     // one ingredient was refused, its reason follows
	MixedDirections Code = "mixed_directions" // times and rates in one summary
	Weighted        Code = "weights_declared" // workloads count by declared weights
)

// Reasons that concern a fit, a grid of factors or a chart.
const (
	Collinear         Code = "collinear"          // a column follows from the others
	OneLevel          Code = "one_level"          // a factor was not varied
	NoRepeats         Code = "no_repeats"         // no cell was run twice
	FewRepeats        Code = "few_repeats"        // fewer than three runs in a cell
	FactorsConfounded Code = "factors_confounded" // what changed together cannot be told apart
	CellMissing       Code = "cell_missing"       // a combination of levels was not run
	Unbalanced        Code = "unbalanced"         // cells hold different numbers of runs
	Provisional       Code = "provisional"        // the baseline has fewer than 20 points
	ShortBaseline     Code = "short_baseline"     // the baseline has fewer than 30 points
	PointsDependent   Code = "points_dependent"   // neighbouring points are correlated, the method assumes they are not
	TooManyValues     Code = "too_many_values"    // the exact method is meant for fewer
	RigDrift          Code = "rig_drift"          // the rig changed between the two sides
	PoorFit           Code = "poor_fit"           // the curve does not describe the data
	NotReached        Code = "not_reached"        // the time constant is longer than the run
	FastPartIgnored   Code = "fast_part_ignored"  // the first seconds follow another constant and were left out
	NotSteady         Code = "not_steady"         // the temperature was still changing at the end
	NotLooped         Code = "not_looped"         // the parts of the run are different scenes
	LoadUnread        Code = "load_unread"        // it is not known whether the load stayed the same
	LimitUndeclared   Code = "limit_undeclared"   // the temperature limit is not known
	RoomBounded       Code = "room_bounded"       // the room temperature is an upper bound, not a reading
)

// Reasons that concern two runs of one sequence.
const (
	AdvanceUndeclared Code = "advance_undeclared" // it is not known whether content moves by time or by frame
	WeakPeak          Code = "weak_peak"          // the runs do not look alike at any offset
	AmbiguousPeak     Code = "ambiguous_peak"     // another offset fits nearly as well
	LagAtLimit        Code = "lag_at_limit"       // the best offset is the largest one tried
	OverlapTooShort   Code = "overlap_too_short"  // the runs share too little
	SpeedsDiffer      Code = "speeds_differ"      // the halves of the runs align at different offsets
	SpeedUnknown      Code = "speed_unknown"      // one half shows too little to tell whether the runs move at one speed
	LengthsDiffer     Code = "lengths_differ"     // the runs have different numbers of frames
	RunNotAligned     Code = "run_not_aligned"    // a run was left out because it could not be aligned
	NoNull            Code = "no_null"            // without repeats it is not known what gap chance alone makes
	WithinNoise       Code = "within_noise"       // repeats of one side show as large a gap
)
