package probe

import (
	"bytes"
	"cmp"
	"slices"
	"time"
)

// processes gives what /proc says of processes.
type processes interface {
	list(into []int) []int                // numbers of all processes, appended, in any order
	stat(pid int, buf []byte) (int, bool) // content of /proc/PID/stat
	self() int                            // number of this process, 0 when it is not among them
	close()
}

// process is one process as last seen.
type process struct {
	pid, parent    int
	group, session int
	started        int64         // ticks after boot; tells two users of one number apart
	own, children  time.Duration // processor time of its own, and of children it has waited for
	settled        time.Duration // of children: what was counted while they lived
	kin            bool          // belongs to the workload
	fresh          bool          // read at the last scan
}

// kin keeps account of the processor time of the workload's processes: those
// in the leader's session or process group, and whatever descends from them,
// even into a session of its own.
//
// A process joins a session only by being born into it, so one that once was a
// stranger stays one and is not read again; only now and then all are read
// afresh, lest a child of the workload go unnoticed under a stranger's number.
//
// When a process ends, all its time appears among its parent's children. What
// was counted while it lived is taken off there. The leader's parent is this
// process, so the time of its own ended children is counted too. A process that
// ends as an orphan is waited for by a stranger: what it used since the last
// scan, less than a second, is not counted.
type kin struct {
	processes processes
	now, then []process // sorted by number
	pids      []int
	buf       [1024]byte
	leader    int
	scans     int
	reaped    time.Duration // of this process's ended children, at the last scan
	settled   time.Duration // of those: what was counted while they lived
}

func newKin(p processes) *kin { return &kin{processes: p} }

// refresh is how many scans apart all processes are read.
const refresh = 30

// scan gives the processor time that the workload of leader used since the last
// scan. reaped is what this process's ended children have used in all.
func (k *kin) scan(leader int, reaped time.Duration) time.Duration {
	first := k.scans == 0
	k.look(leader)
	k.adopt()
	k.settle()
	used := max(0, reaped-k.reaped-k.settled)
	for i := range k.now {
		used += k.spent(&k.now[i])
	}
	k.reaped, k.settled = reaped, 0
	if first {
		return 0
	}
	return used
}

// look lists the processes and reads those that are new or kin, or all.
func (k *kin) look(leader int) {
	all := leader != k.leader || k.scans%refresh == 0
	same := leader == k.leader
	k.leader = leader
	k.scans++
	k.then, k.now = k.now, k.then[:0]
	k.pids = k.processes.list(k.pids[:0])
	slices.Sort(k.pids)
	for _, pid := range k.pids {
		before := find(k.then, pid)
		if before != nil && !before.kin && !all {
			k.now = append(k.now, *before)
			k.now[len(k.now)-1].fresh = false
			continue
		}
		n, ok := k.processes.stat(pid, k.buf[:])
		p, parsed := parseProcessTimes(k.buf[:n])
		if !ok || !parsed {
			continue // ended meanwhile
		}
		p.pid, p.fresh = pid, true
		p.kin = same && p.is(before) && before.kin
		k.now = append(k.now, p)
	}
}

// is says whether p is the process that was seen before.
func (p *process) is(before *process) bool { return before != nil && before.started == p.started }

// adopt finds out who belongs to the workload, until nobody more does.
func (k *kin) adopt() {
	if k.leader <= 0 {
		return
	}
	for again := true; again; {
		again = false
		for i := range k.now {
			p := &k.now[i]
			if p.kin || !p.fresh {
				continue
			}
			parent := find(k.now, p.parent)
			if p.pid == k.leader || p.session == k.leader || p.group == k.leader || parent != nil && parent.kin {
				p.kin, again = true, true
			}
		}
	}
}

// settle passes what ended processes had been counted for to who will have, or
// has, their whole time among its children: the nearest ancestor that lives.
func (k *kin) settle() {
	for i := range k.then {
		v := &k.then[i]
		if now := find(k.now, v.pid); !v.kin || now != nil && now.is(v) {
			continue
		}
		counted := v.own + v.children
		for parent := v.parent; ; {
			if parent == k.processes.self() && parent != 0 {
				k.settled += counted
				break
			}
			gone := find(k.then, parent)
			if gone == nil || !gone.kin {
				break // waited for by a stranger
			}
			if now := find(k.now, parent); now != nil && now.is(gone) {
				now.settled += counted
				break
			}
			parent = gone.parent
		}
	}
}

// spent is what one process of the workload used since the last scan, with its
// ended children. One that was there before as a stranger counts from now on.
func (k *kin) spent(p *process) time.Duration {
	if !p.kin {
		return 0
	}
	before := find(k.then, p.pid)
	switch {
	case !p.is(before):
		return p.own + max(0, p.children-p.settled)
	case !before.kin:
		return 0
	}
	return p.own - before.own + max(0, p.children-before.children-p.settled)
}

// find looks a number up among processes sorted by it.
func find(sorted []process, pid int) *process {
	i, ok := slices.BinarySearchFunc(sorted, pid, func(p process, pid int) int { return cmp.Compare(p.pid, pid) })
	if !ok {
		return nil
	}
	return &sorted[i]
}

// parseProcessTimes reads /proc/PID/stat without allocating. The command's
// name, in brackets, may itself hold brackets and blanks.
func parseProcessTimes(b []byte) (p process, ok bool) {
	end := bytes.LastIndexByte(b, ')')
	if end < 0 || len(b) < end+4 || b[end+1] != ' ' || b[end+2] < 'A' || b[end+2] > 'z' || b[end+3] != ' ' {
		return p, false
	}
	b = b[end+4:] // past ") S "; the rest are numbers, the first of them field 4
	var fields [19]int64
	for i := range fields {
		v, rest, ok := leadingInteger(b)
		if !ok || len(rest) == 0 || rest[0] != ' ' {
			return p, false
		}
		fields[i], b = v, rest[1:]
	}
	at := func(field int) int64 { return fields[field-4] }
	p.parent, p.group, p.session, p.started = int(at(4)), int(at(5)), int(at(6)), at(22)
	p.own, p.children = time.Duration(at(14)+at(15))*tick, time.Duration(at(16)+at(17))*tick
	return p, true
}
