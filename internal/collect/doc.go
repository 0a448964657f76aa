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
// Until certificates are there it listens on loopback only.
package collect
