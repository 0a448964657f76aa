// Package local is both ends of what the agent that is always on does for scripts
// on its own rig, over a Unix socket: wait until the rig is in its starting state,
// mark the bounds of a run whose log has none, and say what the agent does now.
//
// Who may use the socket is decided by its mode, 0660, and its group. It carries
// nothing that leaves the rig, and nothing that changes the machine. Beside it are
// the standard health and reflection services of gRPC.
package local
