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
// An alarm is a head, or a key, that was refused. It keeps both signed heads as files:
//
//	20310302T090312Z-k3x9/alarm.json     what, when, at which collector
//	20310302T090312Z-k3x9/seen.head      the signed head seen before
//	20310302T090312Z-k3x9/now.head       the signed head that does not add to it
//	20310302T090312Z-k3x9/stronger/      the same of a later head that proves more
//	20310302T090312Z-k3x9/accepted.json  who explained it, and how
//
// It is open until an operator accepts it. Accepting makes the head that was
// refused the last one seen. An open alarm takes up a later head that proves more
// against the same head seen, and tells what it was before; it never goes back to less.
// The first pair stays as it was, and an agent of before reads the alarm by that.
//
// # What two heads prove
//
// Of one size and with different roots, they convict the collector before anybody who
// has its key. With fewer entries in the head of now they do so for who saw both: a
// checkpoint has no time in it, so that the larger one was signed first is the word of
// who says so. With more entries they prove nothing. That the collector was asked for
// the consistency proof of RFC 6962 section 2.1.2, and did not give it, is such a word,
// too; by the proof it clears itself at any time, and nobody can make one up. It is
// therefore asked for its own head over as many entries as the one seen had. A trail
// that was put back and went on past that gives it, and makes the first case of it, also
// of an alarm that was of the second until then.
//
// # What it refuses
//
// It lets no run go for a receipt that does not hold, never forgets an alarm, and
// takes a collector's word for nothing that can be proved. It cannot know whether
// the key of the first meeting was the right one, unless it is pinned before.
package audit
