package record

import (
	"crypto/sha256"
	"encoding/base32"
	"strings"
	"time"

	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// Run is one timed execution with everything that was captured around it.
type Run struct {
	ID       string // see NewID
	Rig      string
	Workload Workload
	Setup    *Setup // nil when none was declared

	Group           string // runs started by one command share it
	Repeat, Repeats int    // from 1 to Repeats

	Started     time.Time     // the rig's wall clock, UTC
	Clock       *Clock        // nil of agents that did not know of it
	Elapsed     time.Duration // by the rig's monotonic clock
	Exit        Exit
	WorkloadCPU time.Duration // processor time of the workload and its children

	Before, After rig.Snapshot
	Signals       []rig.Signal
	Logs          []Log
	Results       []timing.Result
	Missing       []string // results declared and not printed, by name
	AgentCost     Cost
	Attachments   []Attachment

	Span *Span // of a run that was made from a timing log found later; nil of one that was carried through

	Played       string   // how it came about, when it was not measured live on this machine
	AgentVersion string   // such as 0.1.0
	Remarks      []string // what the agent had to leave out, in words
}

// Clock says how the rig's clocks stood at the run.
type Clock struct {
	rig.BootClock            // at the start
	Unread        rig.Unread // why the offset is not known
	Events        []ClockEvent
}

// ClockEvent is what became of the clocks during the run.
type ClockEvent struct {
	Kind string        // ClockStep, ClockSuspend or ClockBoot
	At   time.Duration // from the run's start by the boot clock; it lies before that, after the last look at the clocks
	By   time.Duration // how far the wall clock was set forward, or how long the machine slept; 0 of a boot
}

// The kinds of clock events.
const (
	ClockStep    = "step"    // the wall clock was set
	ClockSuspend = "suspend" // the machine slept
	ClockBoot    = "boot"    // the machine was started anew
)

// Workload is what was timed.
type Workload struct {
	Name     string
	Version  string
	Command  []string
	Settings map[string]string
	Content  string // "time", "frame" or "" when not declared
	Source   []byte // the workload file's exact bytes; nil when all came by flags
}

// Setup is the declared state: its label and the exact file.
type Setup struct {
	Label    string
	Source   []byte
	FileName string
}

// The outcomes of a workload.
const (
	Finished    = "finished"    // exit code 0
	Failed      = "failed"      // another exit code
	Killed      = "killed"      // ended by a signal
	Interrupted = "interrupted" // the operator stopped it
	TimedOut    = "timed_out"   // it went past its limit and was stopped
	NotStarted  = "not_started"
	Taken       = "taken" // its log was found; nobody saw how the workload ended
)

// Exit is how the workload ended. Code is its exit code, 128 plus the signal's
// number when a signal ended it, and -1 when it never started.
type Exit struct {
	Outcome string
	Code    int
	Detail  string // "signal: killed", "no such file", ...
}

// Span is when a run took place that the agent did not carry through.
type Span struct {
	From, To Bound
	Name     string // of a span that was named; else ""
}

// Bound is one end of a span.
type Bound struct {
	Wall      time.Time     // UTC
	Boot      string        // id of the boot; "" when the moment could not be placed in one
	SinceBoot time.Duration // by the boot clock, which counts suspends; 0 without Boot
	How       string        // ByStamps, ByLastWrite, ByDurations or ByName
	Detail    string        // what else there is to say, as why it is in doubt
}

// How the bound of a span was found.
const (
	ByStamps    = "stamps"     // the log's own time stamps are wall times
	ByLastWrite = "last_write" // of the log's file
	ByDurations = "durations"  // the log's length back from its last write
	ByName      = "named"      // somebody said when it began and ended
)

// Log says how the attachment of the same name was read as a timing log.
type Log struct {
	Attachment string
	Spec       timing.Spec // reads the same bytes the same way again
	Rows       int
	Refused    string // a stable word when the log was refused; else ""
	Detail     string // why, in a sentence
	Marks      []LogMark
}

// LogMark is something worth knowing about a log that was taken.
type LogMark struct {
	Code   string
	Line   int // 1-based; 0 for the whole file
	Detail string
}

// Cost is what the agent itself took from the machine over the run.
type Cost struct {
	CPU     time.Duration
	PeakRSS int64 // bytes; 0 where the platform does not say
}

// The kinds of attachments.
const (
	TimingLog = "log"
	Output    = "output" // what the workload printed
)

// Attachment is a file that belongs to the run, bound by its hash.
type Attachment struct {
	Name   string
	Kind   string
	Size   int64
	SHA256 [sha256.Size]byte
}

// Attach describes data as an attachment.
func Attach(name, kind string, data []byte) Attachment {
	return Attachment{Name: name, Kind: kind, Size: int64(len(data)), SHA256: sha256.Sum256(data)}
}

var idText = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// NewID makes a run's id from its start and five random bytes:
// 20310302-090312-k7q2m9xd. Ids sort by start, to the second.
func NewID(start time.Time, random [5]byte) string {
	return start.UTC().Format("20060102-150405") + "-" + idText.EncodeToString(random[:])
}

// ValidID says whether s has the form that NewID gives.
func ValidID(s string) bool {
	stamp, tail, ok := strings.Cut(s[min(9, len(s)):], "-")
	if !ok || len(s) != 24 || len(stamp) != 6 {
		return false
	}
	if _, err := time.Parse("20060102-150405", s[:15]); err != nil {
		return false
	}
	b, err := idText.DecodeString(tail)
	return err == nil && len(b) == 5
}
