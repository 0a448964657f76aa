// Package collect is the collector assembled from its parts: deliveries are
// decoded, described, judged and kept in the archive, and analysts' questions
// answered from it, on one gRPC server, whether over the network or within the
// process.
//
//	embedded    the archive in the rig's own state folder, opened for as long as
//	            one command needs it, through the same gRPC code in memory
//	served      collector serve on HOST:PORT; while it runs, a file "address"
//	            beside the archive leads local commands to it
//
// Whoever calls over a network is a member, and may do what rights says.
package collect
