// Package audit is what a rig remembers of the trails that it delivers to, so
// that a collector cannot rewrite one unnoticed. An auditor, as RFC 6962 section
// 5.4 calls it, holds every head it is given against the last it saw.
//
// # Nouns
//
// A memory is of one collector's address: the key that signs the heads of its
// trail, pinned when the address is met for the first time, and the last signed
// head seen. A head is accepted only when it is proved that it adds to that one,
// or, with a receipt given long ago, that that one adds to it.
//
// An alarm is a head, or a key, that was refused. It keeps both signed heads as
// files, which convict the collector before anybody who has its key:
//
//	20310302T090312Z-k3/alarm.json   what, when, at which collector
//	20310302T090312Z-k3/seen.head    the signed head seen before
//	20310302T090312Z-k3/now.head     the signed head that does not add to it
//	20310302T090312Z-k3/accepted.json  who explained it, and how
//
// It is open until an operator accepts it. Accepting makes the head that was
// refused the last one seen.
//
// # What it refuses
//
// It lets no run go for a receipt that does not hold, never forgets an alarm, and
// takes a collector's word for nothing that can be proved. It cannot know whether
// the key of the first meeting was the right one, unless it is pinned before.
package audit
