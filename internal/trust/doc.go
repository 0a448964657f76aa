// Package trust says who somebody is: the roles that members of a collector
// have, the authority that certifies them, the certificates, and the tokens by
// which a machine becomes a member.
//
// A member is a role and a name, such as rig heron. Its certificate carries both
// as one URI,
//
//	witnessmark:rig/heron
//
// and an Ed25519 key that never leaves its machine. A rig's key is the one that
// signs its records, so that a certificate binds name and records. TLS signs
// under a context of its own and package record under its domain line, so that
// neither signature can be taken for the other.
//
// Nobody is believed because of a host's name: the certificate of a collector
// says witnessmark:collector/NAME and is of the authority that the member was
// enrolled with. That authority is named by the SHA-256 of its public key, which
// every token carries.
//
// The package reads and writes no files and keeps no list of members; whose key
// is revoked it does not know.
package trust
