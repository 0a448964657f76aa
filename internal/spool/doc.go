// Package spool keeps runs on the rig until a collector has given a receipt for
// them. It survives a crash at any instruction and a full disk.
//
// # Layout
//
//	open/ID/draft        a run that has begun: its record so far, unsigned
//	open/ID/draft.json   where it is to go, and where its files will be
//	open/ID/reserve      room for that record once all is known
//	open/ID/output       what the workload prints
//	open/ID/lock         held by the process that carries the run
//	ready/ID/record      the record's exact bytes
//	ready/ID/item.json   key, signature, destination, attachments
//	ready/ID/part-N      attachment N, byte for byte
//	ready/ID/record-K    the same, in its place, after the signals were thinned K times
//	ready/ID/reserve     room for the receipt, which becomes receipts/ID.json
//	ready/ID/offered     the same by another name, once the run was offered; in it
//	                     what a run that was kept is held for, see Hold
//	logs/SHA256          the id of the run that a timing log of these bytes belongs to
//	receipts/ID.json     what the collector gave for it
//	spare                room to thin the first run on a full disk
//	lock                 held for a moment by whoever begins, sweeps, thins or offers
//
// A folder becomes visible under its name by one rename, after everything in it
// and its parent are on the disk; names that start with a dot are unfinished and
// are swept away at the next Open. A run leaves ready/ only after its receipt is
// in receipts/.
//
// When the spool is full (see Limits) the signals of the oldest runs are thinned,
// and the record is encoded and signed once more under its id; nothing else in it
// changes. The rename of item.json decides which record holds. Once a run was
// offered to a collector nothing of it is ever encoded or signed again: what lies
// in ready/ is what is delivered, however often that is tried.
package spool
