// Package probe reads one rig: its kernel and firmware files, and what gopsutil
// answers well, into the facts and signals of package rig.
//
// A Tree is where it reads: the live machine's root, or a captured tree of
// proc/ and sys/ that a colleague has sent. Each fact says where it was read,
// as seen from inside the tree:
//
//	cpu.governor  performance  /sys/devices/system/cpu/cpufreq/policy0/scaling_governor
//	memory.speed  unread: denied: needs CAP_DAC_READ_SEARCH  /sys/firmware/dmi/tables/DMI
//
// It only reads. It never opens what is not a regular file, never writes to
// the tree, never asks the running machine on behalf of a captured one, and
// never turns a missing value into a zero.
package probe
