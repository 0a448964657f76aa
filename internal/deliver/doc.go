// Package deliver is both ends of the delivery stream: the rig's side sends one
// record with its attachments in bounded messages, the collector's side takes
// it, checks that every byte is what was announced, and answers with the
// receipt of the committed record.
//
// A stream is one announcement and then chunks of at most 128 KiB: the record's
// bytes first, each attachment after it, in the order of the record's list. The
// collector refuses at the announcement what is too large or too much at once,
// holds only bytes that have really come, and answers a record it already keeps
// with the receipt that it had, so a rig may send again as often as it likes.
//
// The package keeps nothing itself: a Taker does, and returns only after its
// commit.
package deliver
