// Package dispatch carries spooled runs to their collectors: oldest first, each
// only after the collector's trail was held against what was seen of it, and let
// go only once its receipt holds and is kept.
//
// A run has one destination, a collector's address or the archive on the rig
// itself, and is sent nowhere else. What cannot be delivered stays in the spool;
// Waits says whether trying again is worth it.
//
// Where witnesses are demanded a receipt is not the end: the run stays until
// enough of them have signed a trail with its entry, each of whom has a copy of it
// by then. It is then asked for once more, so that it is let go only of a trail
// that has it yet, and is delivered anew into one that was put back meanwhile. What
// was demanded when a run began lies beside it, so that no other process lets it go
// on less.
package dispatch
