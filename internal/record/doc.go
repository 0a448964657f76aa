// Package record knows one run as its rig tells it: the workload, the declared
// setup, the snapshots before and after, the signals between them, how the
// timing logs were read, and what the agent itself cost. It turns a Run into
// bytes, signs them, and reads them back.
//
//	20310302-090312-k7q2m9xd   one run's id: start in UTC, then chance
//	sha256 5f1c…               its record's identity: the hash of the exact bytes
//
// The bytes that were signed are the bytes that are kept: protobuf has no one
// canonical form, so a decoded Run is never encoded again to compare or verify.
// Attachments (raw timing logs, the workload's output) are not part of the
// bytes; the record binds each by name, size and SHA-256.
//
// With package deliver and answer it is the only one to touch generated code;
// the converters of judgements and receipts stand here for both. It opens no
// file and asks no clock.
package record
