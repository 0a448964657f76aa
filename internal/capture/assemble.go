package capture

import "witnessmark/internal/record"

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
		durations, err = b.readLog(logFile{name: name, spec: specOf(job.Workload)}, log, nil)
	}
	return b.parts, durations, err
}
