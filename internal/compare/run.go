package compare

import (
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// Run is what a comparison needs of one kept run.
type Run struct {
	ID, Rig                   string
	Workload, WorkloadVersion string
	Setup                     string // label; "" when none was declared
	Group                     string // runs started by one command share it
	Content                   string // "time", "frame" or "" when not declared
	Repeat                    int
	Started                   time.Time     // by the rig's wall clock; what sorts runs goes by Boot, too
	Boot                      rig.BootClock // at the start; zero when it is not known
	Elapsed                   time.Duration
	Standing                  drift.Standing
	Flags                     []drift.Flag
	Played                    string // how it came about, when it was not measured live
	Before, After             rig.Snapshot
	Configuration             [32]byte          // of Before, see rig.Snapshot.ConfigurationSHA256
	Settings                  map[string]string // of the workload
	Noted                     map[string]string // what only a person knows, from the setup file
	Declared                  map[string]string // what the setup expects, by fact, as it is written
	Definition                map[string]string // how its figures are defined: "command", "log.column", "result[score]"
	Durations                 []int64           // nanoseconds; nil when there is no log, or none was asked for
	NoLog                     string            // why Durations is nil
	Results                   []timing.Result
	Signals                   []rig.Signal // nil when none were asked for
}

// Moment is where rig.Straighten finds the start.
func (r *Run) Moment() (*time.Time, *rig.BootClock) { return &r.Started, &r.Boot }
