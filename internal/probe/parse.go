package probe

import (
	"bytes"
	"errors"
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// maxProcessors bounds the numbers in a processor list; the largest kernels
// are built for 8192.
const maxProcessors = 8192

// processors is a set of processor numbers, ascending.
type processors []int

// parseProcessors reads a list as the kernel prints it: "0-3,8", empty for none.
func parseProcessors(s string) (processors, error) {
	var p processors
	if s = strings.TrimSpace(s); s == "" {
		return nil, nil
	}
	for _, part := range strings.Split(s, ",") {
		from, to, isRange := strings.Cut(part, "-")
		a, err := strconv.ParseUint(from, 10, 16)
		b := a
		if err == nil && isRange {
			b, err = strconv.ParseUint(to, 10, 16)
		}
		if err != nil || a > b || b >= maxProcessors {
			return nil, fmt.Errorf("%q is no list of processors", cut(s))
		}
		for n := int(a); n <= int(b); n++ {
			p = append(p, n)
		}
	}
	slices.Sort(p)
	return slices.Compact(p), nil
}

// String prints the set as the kernel does: "0-3,8".
func (p processors) String() string {
	var parts []string
	for i := 0; i < len(p); {
		j := i
		for j+1 < len(p) && p[j+1] == p[j]+1 {
			j++
		}
		part := strconv.Itoa(p[i])
		if j > i {
			part += "-" + strconv.Itoa(p[j])
		}
		parts = append(parts, part)
		i = j + 1
	}
	return strings.Join(parts, ",")
}

// without returns the processors of p that are not in q.
func (p processors) without(q processors) processors {
	var out processors
	for _, n := range p {
		if _, in := slices.BinarySearch(q, n); !in {
			out = append(out, n)
		}
	}
	return out
}

// and returns the processors in both.
func (p processors) and(q processors) processors { return p.without(p.without(q)) }

// parseChoice reads a list of words of which the chosen one stands in
// brackets: "always [madvise] never".
func parseChoice(s string) (chosen string, err error) {
	for _, open := range []string{"[]", "()"} {
		_, rest, ok := strings.Cut(s, open[:1])
		word, _, closed := strings.Cut(rest, open[1:])
		if word = strings.TrimSpace(word); ok && closed && word != "" {
			return word, nil
		}
	}
	return "", fmt.Errorf("no choice is marked in %q", cut(s))
}

// parsePairs reads lines "name: value"; the first of a name stands.
func parsePairs(b []byte) map[string]string { return pairs(b, ":") }

// parseCounters reads lines "name value".
func parseCounters(b []byte) map[string]string { return pairs(b, " ") }

func pairs(b []byte, separator string) map[string]string {
	m := map[string]string{}
	for line := range bytes.Lines(b) {
		name, value, ok := strings.Cut(string(line), separator)
		if name = strings.TrimSpace(name); !ok || name == "" {
			continue
		}
		if _, met := m[name]; !met {
			m[name] = strings.TrimSpace(value)
		}
	}
	return m
}

// parseBlocks reads /proc/cpuinfo: blocks of "name : value" lines, one a
// processor, with an empty line between.
func parseBlocks(b []byte) []map[string]string {
	var all []map[string]string
	for _, block := range bytes.Split(b, []byte("\n\n")) {
		if m := parsePairs(block); len(m) > 0 {
			all = append(all, m)
		}
	}
	return all
}

// jiffies is how long processors were in each state since boot, in ticks, from
// the line "cpu" of /proc/stat: user, nice, system, idle, iowait, irq, softirq,
// steal. Time given to guests is part of user and is not counted again.
type jiffies [8]uint64

func parseJiffies(stat []byte) (jiffies, error) {
	var j jiffies
	for line := range bytes.Lines(stat) {
		f := strings.Fields(string(line))
		if len(f) < 5 || f[0] != "cpu" {
			continue
		}
		for i := range min(len(j), len(f)-1) {
			n, err := strconv.ParseUint(f[i+1], 10, 62)
			if err != nil {
				return jiffies{}, fmt.Errorf("%q is no number of ticks", cut(f[i+1]))
			}
			j[i] = n
		}
		return j, nil
	}
	return jiffies{}, errors.New("no line for all processors")
}

// since gives the ticks that passed from then to j, in all and idle. A state
// whose counter went back, as iowait may, counts as not moved.
func (j jiffies) since(then jiffies) (all, idle uint64) {
	for i := range j {
		if j[i] < then[i] {
			continue
		}
		d := j[i] - then[i]
		sum, carry := bits.Add64(all, d, 0)
		if carry != 0 {
			return 0, 0
		}
		all = sum
		if i == 3 || i == 4 {
			idle += d
		}
	}
	return all, idle
}

// parseProcess reads /proc/PID/stat: the command's name, which may hold blanks
// and brackets, and the ticks it has used.
func parseProcess(b []byte) (name string, ticks uint64, err error) {
	from, to := bytes.IndexByte(b, '('), bytes.LastIndexByte(b, ')')
	if from < 0 || to < from {
		return "", 0, errors.New("no command name in brackets")
	}
	f := strings.Fields(string(b[to+1:]))
	if len(f) < 13 {
		return "", 0, errors.New("too few fields")
	}
	for _, s := range f[11:13] { // utime and stime, fields 14 and 15 counted from 1
		n, err := strconv.ParseUint(s, 10, 62)
		if err != nil {
			return "", 0, fmt.Errorf("%q is no number of ticks", cut(s))
		}
		ticks += n
	}
	return string(b[from+1 : to]), ticks, nil
}

// cut shortens outside text for a message.
func cut(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return s[:most] + "…"
}
