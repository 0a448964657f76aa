package probe

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/internal/rig"
)

// later marks the second sample of a file in a captured tree: proc/stat.later
// was read a while after proc/stat.
const later = ".later"

// load puts what else the machine is doing. It goes first, so that what it sees
// is not the reading of the other facts.
func (s *sheet) load(ctx context.Context) {
	s.watch(ctx)
	b, err := s.tree.Read("proc/loadavg")
	fields := strings.Fields(string(b))
	s.put("load.average", loadField(fields, err, 0, "/"))
	s.put("load.processes", loadField(fields, err, 3, "/"))
	stat, err := s.tree.ReadUpTo("proc/stat", statCap)
	counters := firstFields(stat)
	for key, name := range map[rig.Key]string{"load.context_switches": "ctxt", "load.interrupts": "intr"} {
		if err != nil {
			s.put(key, failed("/proc/stat: "+name, err))
			continue
		}
		s.put(key, summed("/proc/stat: "+name, counters, name))
	}
	s.pressures()
}

// statCap holds the interrupt line of the largest machines.
const statCap = 1 << 20

// firstFields gives the first number of each line.
func firstFields(stat []byte) map[string]string {
	m := parseCounters(stat)
	for k, v := range m {
		m[k], _, _ = strings.Cut(v, " ")
	}
	return m
}

// loadField reads one field of /proc/loadavg, of "1/412" the part behind the stroke.
func loadField(fields []string, err error, i int, stroke string) reading {
	const source = "/proc/loadavg"
	if err != nil {
		return failed(source, err)
	}
	if len(fields) <= i {
		return unread(source, rig.Implausible, "too few fields")
	}
	text := fields[i]
	if _, behind, ok := strings.Cut(text, stroke); ok {
		text = behind
	}
	return parsedNumber(source, text, 1, 0, 1e9)
}

// watch looks twice at the processor's and the processes' time: with a wait on
// a live machine, as the capture did in a captured tree.
func (s *sheet) watch(ctx context.Context) {
	const source = "/proc/stat"
	idle, busiest := unread(source, rig.Absent, "not watched"), unread("/proc/*/stat", rig.Absent, "not watched")
	defer func() {
		s.put("load.idle_before", idle)
		s.put("load.busiest", busiest)
	}()
	if s.tree.live && s.opt.Window <= 0 {
		return
	}
	processes := s.processes("")
	before, err := s.jiffies("")
	if err == nil {
		err = s.wait(ctx)
	}
	if err != nil {
		idle, busiest = failed(source, err), failed("/proc/*/stat", err)
		return
	}
	after, err := s.jiffies(later)
	if errors.Is(err, fs.ErrNotExist) && !s.tree.live {
		err = errCaptured
	}
	if err != nil {
		idle, busiest = failed(source, err), failed("/proc/*/stat", err)
		return
	}
	all, rest := after.since(before)
	if all == 0 {
		idle = unread(source, rig.Refused, "the counters did not move")
		busiest = unread("/proc/*/stat", rig.Refused, "the counters did not move")
		return
	}
	idle = numberReading(source, rounded(100*float64(rest)/float64(all)), 0, 100)
	busiest = s.busiest(processes, s.processes(later), all)
}

// wait lets the window pass on a live machine.
func (s *sheet) wait(ctx context.Context) error {
	if !s.tree.live {
		return nil
	}
	select {
	case <-time.After(s.opt.Window):
		return nil
	case <-ctx.Done():
		return errors.New("interrupted while watching")
	}
}

// moment reads a file that is to be read twice: again on a live machine, the
// second sample in a captured tree.
func (s *sheet) moment(file, which string) ([]byte, error) {
	if !s.tree.live {
		return s.tree.ReadUpTo(file+which, statCap)
	}
	b, err := s.tree.read(file, statCap)
	if s.tree.trace != nil {
		s.tree.trace.file(file+which, b, err)
	}
	return b, err
}

func (s *sheet) jiffies(which string) (jiffies, error) {
	b, err := s.moment("proc/stat", which)
	if err != nil {
		return jiffies{}, err
	}
	j, err := parseJiffies(b)
	if err != nil {
		return jiffies{}, &unreadError{"proc/stat", rig.Unread{Reason: rig.Implausible, Detail: err.Error()}}
	}
	return j, nil
}

// command is the name of a process's command and the ticks it has used.
type command struct {
	name  string
	ticks uint64
}

// processes samples every process but this one; a capture leaves them out.
func (s *sheet) processes(which string) map[int]command {
	if s.tree.trace != nil {
		return nil
	}
	all := map[int]command{}
	for _, n := range s.list("proc") {
		pid, err := strconv.Atoi(n)
		if err != nil || s.tree.live && pid == os.Getpid() {
			continue
		}
		b, err := s.moment("proc/"+n+"/stat", which)
		if err != nil {
			continue // gone meanwhile
		}
		if name, ticks, err := parseProcess(b); err == nil {
			all[pid] = command{name, ticks}
		}
	}
	return all
}

// busiest names up to three commands by their share of all processor time.
func (s *sheet) busiest(before, after map[int]command, all uint64) reading {
	const source = "/proc/*/stat"
	if len(after) == 0 {
		return unread(source, rig.Absent, "no processes to be seen")
	}
	used := map[string]uint64{}
	for pid, p := range after {
		if was, ok := before[pid]; ok && was.name == p.name && p.ticks > was.ticks {
			used[p.name] += p.ticks - was.ticks
		}
	}
	names := slices.SortedFunc(maps.Keys(used), func(a, b string) int {
		return cmp.Or(cmp.Compare(used[b], used[a]), strings.Compare(a, b))
	})
	var words []string
	for _, n := range names[:min(3, len(names))] {
		if percent := min(100*float64(used[n])/float64(all), 100); percent >= 0.1 {
			words = append(words, fmt.Sprintf("%s %.1f %%", clean(n), percent))
		}
	}
	return textReading(source, orNone(strings.Join(words, ", ")))
}

// pressures puts how long some task was held up by each resource, from the
// line "some avg10=0.00 avg60=0.00 avg300=0.00 total=7301442".
func (s *sheet) pressures() {
	const dir = "proc/pressure"
	for _, resource := range s.list(dir) {
		s.put(keyOf("pressure", resource, "stalled"), s.pressure(dir+"/"+resource))
	}
}

func (s *sheet) pressure(file string) reading {
	text, err := s.tree.Text(file)
	if err != nil {
		return failed("/"+file, err)
	}
	for line := range strings.Lines(text) {
		_, total, ok := strings.Cut(line, "total=")
		if ok && strings.HasPrefix(line, "some ") {
			return parsedNumber("/"+file, total, 1, 0, 1e18)
		}
	}
	return unread("/"+file, rig.Absent, "no line for some")
}

// rounded keeps one decimal, which is all that a share of ticks, or a size in
// MiB that the kernel takes its own part of, can carry.
func rounded(n float64) float64 { return math.Round(n*10) / 10 }
