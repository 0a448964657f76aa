// Package enrol makes machines and people members of a collector, and keeps them
// so: both ends of joining by a token, of renewing certificates, and of what
// keepers do with members; and the files in which a member keeps who it is.
//
// A machine joins once:
//
//	id, err := enrol.Join(ctx, conn, token, key)
//	err = enrol.Save(dir, id)
//
// and renews its certificate when two thirds of its life are over, by Refresh at
// each use or by Keep for as long as it runs. The key never leaves the machine:
// what goes out is a certificate request that it has signed.
//
// Who may call what is for the collector to say, and for trust who somebody is.
package enrol
