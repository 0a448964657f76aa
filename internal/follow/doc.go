// Package follow is both ends of the copying of a trail: a collector gives its
// entries and records to who asks, and a follower keeps them in an archive of its
// own, having checked each against the head that was signed over it.
//
// # What a follower believes
//
// Nothing but proofs. A record must have its rig's signature and the hash that its
// entry binds, its attachments those that the record binds, its summary the one
// that the entry binds, its receipt must be of that entry. The entries, hashed into
// the tree that the copy has already, must give the root that the source signed, at
// every step; so a step that went through shows that the trail only grew. What
// follows from the raw logs the follower works out itself.
//
// A head that does not add to the last is an alarm of package audit: both signed
// heads are kept, copying ends, and the copy goes on being read.
//
// # Witness
//
// A follower signs each head that it has come to beside the source, as C2SP's
// tlog-cosignature says, with a key of its own, and brings that to the source. A
// head that several witnesses signed cannot be one that is shown to some only.
package follow
