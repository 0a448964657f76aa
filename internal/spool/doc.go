// Package spool keeps runs on the rig until a collector has given a receipt for
// them. It survives a crash at any instruction and a full disk.
//
// # Layout
//
//	open/ID/draft        a run that has begun: its record so far, unsigned
//	open/ID/draft.json   where it is to go, and where its files will be
//	open/ID/output       what the workload prints
//	open/ID/lock         held by the process that carries the run
//	ready/ID/record      the record's exact bytes
//	ready/ID/item.json   key, signature, destination, attachments
//	ready/ID/part-N      attachment N, byte for byte
//	ready/ID/reserve     room for the receipt, which becomes the next
//	receipts/ID.json     what the collector gave for it
//	lock                 held for a moment by whoever begins or sweeps
//
// A folder becomes visible under its name by one rename, after everything in it
// and its parent are on the disk; names that start with a dot are unfinished and
// are swept away at the next Open. A run leaves ready/ only after its receipt is
// in receipts/. Nothing is ever encoded or signed twice: what lies in ready/ is
// what is delivered, however often that is tried.
package spool
