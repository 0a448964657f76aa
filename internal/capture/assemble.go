package capture

import (
	"crypto/sha256"
	"fmt"

	"witnessmark/internal/record"
)

// Assemble completes a run that was not carried through here but whose state,
// signals and outcome are known, by the same steps as Run: what was run in which
// setup, and its timing log, read as the workload's [log] says. It gives the
// attachments in the record's order; nothing is encoded, signed or stored yet.
// An error says why the log was refused, which the record then says too.
func Assemble(run *record.Run, job Job, log []byte) (parts [][]byte, durations []int64, err error) {
	job.describe(run)
	b := &bundle{run: run}
	if job.Workload.Log != nil {
		name, _ := names(job.Workload)
		durations, err = b.readLog(logFile{name: name, spec: SpecOf(job.Workload)}, log, nil)
	}
	return b.parts, durations, err
}

// Keep puts an assembled run into the spool: encoded, signed, and whole or not at
// all. A run whose id is there already, or was delivered, stays what it is. It
// gives the SHA-256 of the record's bytes.
func (r *Rig) Keep(run *record.Run, parts [][]byte) (sum [sha256.Size]byte, err error) {
	b := &bundle{run: run, parts: parts}
	if err := b.put(r, r.Destination, r.Demand); err != nil {
		return b.sum, fmt.Errorf("%w: %w", ErrSpool, err)
	}
	return b.sum, nil
}
