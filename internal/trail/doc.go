// Package trail is the arithmetic of the append-only hash tree over everything a
// collector keeps: what to store when an entry is added, how to prove that an
// entry is in the tree, that a later tree only added to an earlier one, and the
// signed heads and receipts by which somebody else can check both.
//
// # Nouns
//
// An entry says that something was kept: a record, an accepted mark, a setup in
// force, a retraction, a key. It binds the SHA-256 and the length of the exact
// bytes, who brought them and when. Its canonical bytes are one leaf.
//
// The tree hashes leaves as RFC 6962 section 2.1 does. Only the hashes of
// complete subtrees are stored, in the dense order of
// [golang.org/x/mod/sumdb/tlog.StoredHashIndex]; every proof is computed from those.
//
// A head is origin, size and root. Signed, it is the text that C2SP calls a
// checkpoint, a note of [golang.org/x/mod/sumdb/note]. With the key whose seed is
// 32 bytes of 0x07, the empty tree of one collector is
//
//	collector.dome.example/trail
//	0
//	47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=
//
//	— collector.dome.example/trail wVgGAaGAAtAYnR9URTQo30S9pXQy6gge9+l2zVnw0QOCXuxsG7NzIbefPLCRDdRpA1sCRc2mT7eItodt5hcyBgSaKwQ=
//
// A succession hands the signing of a trail to another key; the keys of a trail in
// their order are its line.
//
// A receipt is what a rig gets back for a kept record: the leaf, its place, the
// path to the root, and the signed head.
//
// # Byte form of an entry, version 1
//
// Integers are big-endian and of fixed width, so every entry has one form.
//
//	4  "wme" and the version, 0x01
//	1  kind
//	8  at: nanoseconds since 1970-01-01T00:00:00Z, two's complement
//	32 SHA-256 of the bytes the entry is about
//	8  length of those bytes, at most 2^63-1
//	2  length of subject, then subject   (1 to 255 bytes)
//	2  length of actor, then actor       (1 to 255 bytes)
//	2  length of text, then text         (0 to 4096 bytes)
//
// Subject, actor and text are UTF-8 without control characters. Nothing may
// follow the text. Kinds that undo something must carry a reason in the text.
//
// # What it refuses
//
// It reads no disk, network or clock: the caller passes stored hashes in and
// stores what [Append] returns, in the same transaction as the thing it covers.
// It will not grow a tree whose stored hashes no longer give the last head, will
// not parse a second spelling of an entry or head, ignores no line of a head's
// text, and takes no size above [MaxSize], which the arithmetic below it could
// not finish.
package trail
