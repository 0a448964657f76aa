package watch

import (
	"time"
)

// Reading is what the machine's clocks showed at one moment.
type Reading struct {
	Wall      time.Time     `json:"wall"`       // UTC, without a monotonic part
	Boot      string        `json:"boot"`       // id of the boot; where the system has none, one of this process
	SinceBoot time.Duration `json:"since_boot"` // counts suspension
	Awake     time.Duration `json:"awake"`      // does not
}

// Instant is where on the boot clock the reading was taken.
func (r Reading) Instant() Instant { return Instant{r.Boot, r.SinceBoot} }

// Instant is a moment by the clock that runs from a boot to the next, through
// suspension, and that nobody sets.
type Instant struct {
	Boot string
	At   time.Duration // since the boot
}

// Before says whether i lies before j; instants of two boots are in no order
// that clocks could tell.
func (i Instant) Before(j Instant) bool { return i.Boot == j.Boot && i.At < j.At }

// Add is the instant d later.
func (i Instant) Add(d time.Duration) Instant { return Instant{i.Boot, i.At + d} }

// Clock reads a machine's clocks.
type Clock interface{ Read() Reading }

// ClockFunc is a function as a Clock.
type ClockFunc func() Reading

// Read calls f.
func (f ClockFunc) Read() Reading { return f() }
