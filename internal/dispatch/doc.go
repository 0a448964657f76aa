// Package dispatch carries spooled runs to their collectors: oldest first, each
// only after the collector's trail was held against what was seen of it, and let
// go only once its receipt holds and is kept.
//
// A run has one destination, a collector's address or the archive on the rig
// itself, and is sent nowhere else. What cannot be delivered stays in the spool;
// Waits says whether trying again is worth it.
package dispatch
