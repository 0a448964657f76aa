// Package archive keeps what a collector has accepted, in one bbolt file, and is
// the only user of bbolt. It knows buckets and keys; it does not judge, does not
// compute statistics and does not know who may ask.
//
// # Layout, format 1
//
// Names hold no control characters (package record sees to it), so NUL parts
// the fields of a key. Times are nanoseconds since 1970 as 8 bytes, big-endian,
// with the sign bit flipped so that they sort.
//
//	meta     format, origin, key (the verifier key of its heads)
//	runs     ID/             a bucket a run: record (zstd), public_key, signature,
//	                         receipt (JSON), at (its time key), seal (of all that), and
//	                         parts NUL NAME NUL chunk -> zstd stream in chunks of 60 KiB
//	                         series NUL NAME NUL chunk -> durations as package series encodes them
//	hashes   SHA-256 of the record -> ID
//	tails    last 8 letters of ID NUL ID -> empty
//	summary  TIME ID         -> what a listing shows, opaque here
//	by/      time, rig, workload, workload+rig, setup: VALUE NUL TIME ID -> the run's Labels
//	rigs     NAME            -> Rig (JSON)
//	marks    RIG NUL SETUP NUL sequence -> Mark (JSON); the last one is in force
//	setups   RIG NUL LABEL NUL SHA-256 -> index of the entry, then the setup's file
//	retractions  ID NUL index of the entry -> Retraction (JSON); a run's last one is in force
//	restores     index of the entry -> Restore (JSON)
//	beats    NAME            -> hash, then a rig's latest state, opaque here
//	news     number          -> hash, then a piece of news of those; the last 4096 of them
//	cosigned witness's key   -> the last signed head that the witness signed, too
//	cosigners NAME           -> the key that the witness of that name signs with
//	trail/   leaves, hashes by index; head -> the signed note
//
// A bucket a run keeps bbolt from rewriting a neighbour's large values at each
// commit. Deliveries that wait at the same time share one commit. A record, its
// index rows and its trail entry are in one transaction: a receipt exists only
// for what is on the disk.
package archive
