// Package dossier knows the one file that proves one run, and how to check it with
// nothing but public keys at hand.
//
// # The file
//
// A zip archive whose members are stored, not compressed, all of 1980-01-01, in this
// order, so that the same run in the same archive gives the same bytes:
//
//	cover.txt            for a person: what was measured, on what, what the collector made of
//	                     it, who signed what and when, what came after
//	record               the record's exact bytes
//	record.sig           JSON: the rig's public key and its signature over the record
//	rig/chain.pem        the certificate of that key, the last before the record was kept, and its
//	                     authority's; none where the run was delivered without
//	rig/losses.json      JSON: for each admission in the place of lost keys that a keeper has signed
//	                     the certificates of his key, where there is any
//	files/1-orrery.csv   each attachment byte for byte, numbered in the record's order
//	setup.toml           the declared setup, where there was one
//	mark/record          the record of the run whose snapshot was the mark, where there was one
//	mark/record.sig      its key and signature
//	trail/key            the public key that signs the trail's heads
//	trail/keys.json      the keys that the trail had, one after the other, where it had more than one;
//	                     with the certificates of the keeper on whose word one followed a lost one
//	trail/receipt.json   what the rig was given when its record was kept, with the proof that
//	                     the present tree only adds to the tree of then
//	trail/summary        what the collector made of the run then
//	trail/entries.json   the entries of the trail that tell of the run, of the rig's and those keepers'
//	                     keys and of the certificates, with their proofs
//	trail/head           the present head, a signed note
//	trail/after.json     how the trail belongs to the head of an older file, where that was asked
//	trail/cosigned.json  heads that witnesses signed beside the collector, where there are any
//	seal                 name, size and SHA-256 of every member above in their order, with the
//	                     edition of the rules they were made by, a note signed by the trail's key
//
// # What it proves
//
// [Verify] shows that the rig's key signed this record, that the files are those the
// record binds, that the collector had it at that place of its trail, by its own clock
// at that time, and judged it so, that its trail has only grown from then to the present
// head, and what the trail tells of the run since. It works statistics, flags and cover
// out again and says of a difference what is in the file and what comes out. Where the
// file is of an edition of before those rules, a difference is told and the seal's word
// stands; which parts these are the report names. A later edition is refused.
//
// Whoever seals the file may be the one who lies: everything in it is held against what
// the rig, the keys before and the keeper have signed, and against the trail's entries,
// and not against the seal alone. What those who have the trail's key say all the same
// is by their word: when they kept something, who decided it, that a flag rests on
// earlier runs. It cannot show that they left nothing out: a retraction that is not in
// the file may stand in the trail. A newer dossier, or a collector that follows, tells;
// a witness, by another clock, that the run was there by then. Nor does a signature show
// that the rig told the truth. Whose the keys are is for the reader, who gives those
// known from elsewhere.
//
// Where the collector admitted the rig's key, the file shows on whose word, and the
// certificate, which the trail binds, says whose the key is. A run that was delivered
// in process has neither, and is its rig's by its own word alone.
//
// The package opens no file, asks no network and knows no archive.
package dossier
