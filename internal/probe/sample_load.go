package probe

import (
	"syscall"
	"time"

	"witnessmark/internal/rig"
)

// tick is the unit of processor times in /proc: USER_HZ is 100 on every
// architecture that Go runs on.
const tick = 10 * time.Millisecond

const statFile = "proc/stat"

// loads samples how busy the processors are and with whose work.
//
// load.total is the share of all processors' time since the pass before that
// was not idle, from the first line of /proc/stat; time stolen by a hypervisor
// counts as busy. Once a second that is split: load.workload is what the
// workload's processes used (see kin), and load.other what remains after them
// and after this process itself. Processor times come in ticks of 10 ms, so a
// pass of 100 ms on two processors is resolved to 5 %, a second to 0.5 %.
type loads struct {
	stat  *openFile
	total recording

	other, workload recording
	kin             *kin
	lead            func() int
	self            func() (own, children time.Duration)

	last      jiffies
	begun     bool
	due       time.Duration
	since     jiffies // at the last split
	selfSince time.Duration
	over      time.Duration // time by which the last splits came out below 0
	splitAt   time.Duration // when the last split was
	busy      float64       // processors at work between the last two splits
	measured  bool
}

var (
	causeStill      = cause{reason: rig.Refused, detail: "the kernel's processor times did not move"}
	causeNoWorkload = cause{reason: rig.Absent, detail: "no workload runs"}
)

func newLoads(t *Tree, opt SampleOptions) *loads {
	percent := func(k rig.Key) recording {
		return recording{head: rig.Signal{Key: k, Unit: rig.Percent, Exponent: -2, Source: "/" + statFile}}
	}
	l := &loads{
		total: percent("load.total"), other: percent("load.other"), workload: percent("load.workload"),
		lead: opt.Workload, self: func() (own, children time.Duration) { return 0, 0 },
	}
	l.other.head.Source += ", /proc/*/stat"
	l.workload.head.Source = "/proc/*/stat"
	if l.lead == nil {
		l.lead = func() int { return 0 }
	}
	if t.Live() {
		l.self = ownTimes
	}
	f, err := t.Open(statFile)
	if err != nil {
		for _, r := range []*recording{&l.total, &l.other, &l.workload} {
			r.miss(0, causeOf(err), 0)
		}
		return l
	}
	l.stat, l.kin = keepOpen(f), newKin(openProcesses(t))
	return l
}

func (l *loads) signals(times []time.Duration) []rig.Signal {
	return []rig.Signal{l.total.signal(times), l.other.signal(times), l.workload.signal(times)}
}

func (l *loads) close() {
	if l.stat != nil {
		l.stat.close()
		l.kin.processes.close()
		l.stat = nil
	}
}

func (l *loads) take(s *Sampler, pass int, at time.Duration) {
	if l.stat == nil {
		return
	}
	n, errno := s.read(l.stat, true, s.buf[:])
	now, ok := parseTicks(s.buf[:n])
	if errno != 0 || !ok {
		l.missed(at, errno)
		return
	}
	if l.begun {
		all, idle := now.since(l.last)
		l.total.share(pass, at, ticks(all-idle), ticks(all))
	}
	l.last = now
	if at+s.opt.Pace/2 >= l.due {
		l.split(now, pass, at)
	}
	l.begun = true
}

func (l *loads) missed(at time.Duration, errno syscall.Errno) {
	c := causeNoNumber
	if errno != 0 {
		c = cause{errno: errno}
	}
	for _, r := range []*recording{&l.total, &l.other, &l.workload} {
		r.miss(at, c, 0)
	}
}

// split shares out the time since the last split.
func (l *loads) split(now jiffies, pass int, at time.Duration) {
	own, children := l.self()
	leader := l.lead()
	work := l.kin.scan(leader, children)
	all, idle := now.since(l.since)
	if l.begun {
		self := own - l.selfSince
		l.busy, l.measured = ticks(all-idle).Seconds()/(at-l.splitAt).Seconds(), true
		if leader == 0 && work == 0 {
			l.workload.miss(at, causeNoWorkload, 0)
		} else {
			l.workload.share(pass, at, work, ticks(all))
		}
		l.other.share(pass, at, l.remainder(ticks(all-idle)-work-self, ticks(all)), ticks(all))
	}
	l.since, l.selfSince, l.splitAt = now, own, at
	if l.due += steadyPace; l.due <= at {
		l.due = at + steadyPace
	}
}

// remainder is left, never below 0. The files of a split are not read at the
// same instant, so what one interval shows too much the next shows too little:
// a little that is missing is taken off the next.
func (l *loads) remainder(left, all time.Duration) time.Duration {
	left -= l.over
	l.over = 0
	if left < 0 {
		l.over = min(-left, all/50)
		left = 0
	}
	return left
}

func ticks(n uint64) time.Duration { return time.Duration(n) * tick }

// share adds part of all in hundredths of a percent.
func (r *recording) share(pass int, at, part, all time.Duration) {
	if all <= 0 {
		r.miss(at, causeStill, 0)
		return
	}
	r.sample(pass, at, int64(min(part, all))*10_000/int64(all))
}
