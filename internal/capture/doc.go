// Package capture carries one run through: the snapshot before, the workload
// with the sampler beside it, the snapshot after, the timing log and the
// printed results; then the record, signed, into the spool.
//
// From the moment before the workload starts there is a draft of the record in
// the spool, so a run that has begun is never lost: whoever opens the spool
// after a crash finishes the draft with Recover. The workload writes its output
// straight into a file; the agent does nothing for it while it runs but sample
// and wait.
//
// A workload that fails, is killed or never starts still gives a record that
// says so. The package decides no standing and delivers nothing.
package capture
