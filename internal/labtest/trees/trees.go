// Package trees writes captured trees of rigs that do not exist: the files of
// /proc and /sys that a kernel would show there, links included, so that what
// reads a rig can be tried on machines nobody owns.
//
// A Rig is one machine at one moment. Heron is the rig most tests start from,
// and the others are Heron with one thing wrong:
//
//	r := trees.Heron()
//	r.Firmware.Configure(2400)       // memory fell back to its default speed
//	err := trees.Write(dir, r)       // dir/proc, dir/sys, dir/etc
//
// All makers, models and numbers are invented; only names that the kernel
// itself gives (coretemp, amdgpu, intel_pstate) are real. The trees under
// testdata/rigs are what All gives, written by mktrees:
//
//	go generate ./internal/labtest/trees
//
// A tree holds what a capture would: only files that somebody reads. It is the
// same bytes each time. The package does not check that a rig makes sense.
package trees

//go:generate go run ./mktrees -o ../../../testdata/rigs

import "witnessmark/internal/labtest/dmi"

// Rig is one invented machine at one moment.
type Rig struct {
	Host     string
	Firmware *dmi.Machine // nil: the firmware shows no tables
	UEFI     bool
	CPU      CPU
	Memory   Memory
	System   System
	Chips    []Chip
	Zones    []Zone
	Cooling  []Cooling
	Energy   []Domain
	Devices  []Device
	Cards    []Card
	Drives   []Drive
	Networks []Network
	Unread   []Unread // what the capture met and could not read
}

// Unread is a file that was there and could not be read. Path is without links.
type Unread struct {
	Path   string `json:"path"`
	Reason string `json:"reason"`
	Detail string `json:"detail,omitempty"`
}

// Tree is the files and links of a rig, by slash-separated path.
type Tree struct {
	Files map[string][]byte
	Links map[string]string // text of the link, relative
}

// Of returns the tree of a rig.
func Of(r Rig) Tree {
	b := &builder{Tree{map[string][]byte{}, map[string]string{}}}
	b.system(r)
	b.processors(r)
	b.memory(r)
	if r.Firmware != nil {
		b.firmware(r)
	}
	for i, c := range r.Chips {
		b.chip(i, c)
	}
	for i, z := range r.Zones {
		b.zone(i, z)
	}
	for i, c := range r.Cooling {
		b.cooling(i, c)
	}
	for _, d := range r.Energy {
		b.domain(d)
	}
	b.devices(r)
	b.unread(r)
	for _, u := range r.Unread {
		delete(b.Files, u.Path)
	}
	return b.Tree
}
