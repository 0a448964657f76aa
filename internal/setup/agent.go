package setup

import (
	"bytes"
	"cmp"
	"path"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Agent says how the agent that is always on goes about it. Paths are as they
// are written: relative ones are meant from the file's own folder.
type Agent struct {
	File   string // the name it was parsed under
	Source []byte // the file's exact bytes

	Collector string // HOST:PORT; "" for the archive in the state folder
	Rig       string // "" for the setup's, else the host's name
	State     string // folder; "" for the user's own
	Setup     string // file; "" when none is declared

	FullPace, IdlePace time.Duration // of sampling, under load and without
	RingKeep           time.Duration // how far back signals are kept
	RingBytes          int64
	FactsEvery         time.Duration // all facts are read at least so often
	BeatEvery          time.Duration
	SpoolBytes         int64

	Socket          string // "" for agent.sock in the state folder
	SocketGroup     string // who may use it beside the agent's user; "" for the agent's own group
	Metrics         string // HOST:PORT; "" for none
	MetricsAnywhere bool   // Metrics may be other than loopback
	Log             LogForm

	Witnesses     []string      // keys of those who must have signed what was kept before a run is let go
	WitnessNeed   int           // so many of them; 0 without any
	WitnessWithin time.Duration // after so long those that have not are told of

	Folders []Folder // in the order of the file
}

// LogForm is what a daemon's own messages look like.
type LogForm string

const (
	LogAuto LogForm = "auto" // for the journal when it leads there, else as text
	LogText LogForm = "text"
	LogJSON LogForm = "json"
)

// Folder says which logs in a folder are whose.
type Folder struct {
	Path     string
	Pattern  string    // of the file's name, as path.Match has it
	Workload *Workload // its name, version, content and log layout
	Setup    string    // file; "" for the agent's
	Quiet    time.Duration
	Line     int // in the file
}

// The defaults of an agent file; all are design choices.
const (
	defaultFullPace   = 100 * time.Millisecond
	defaultIdlePace   = time.Second
	defaultRingKeep   = 2*time.Hour + 15*time.Minute
	defaultRingBytes  = 64 << 20
	defaultFactsEvery = 2 * time.Minute
	defaultBeatEvery  = 10 * time.Second
	defaultSpoolBytes = 2 << 30
	defaultQuiet      = 30 * time.Second

	// DefaultWithin outlasts the update or the restart of a follower and ends within
	// the same working day. Meanwhile nothing is lost: the runs are in the spool.
	DefaultWithin = 4 * time.Hour
)

var agentSchema = schema{
	{"", []string{"collector", "rig", "state", "setup", "log", "sampling", "ring", "facts", "beat", "spool", "socket", "metrics", "witness", "folder"}},
	{"folder", []string{"path", "pattern", "workload", "version", "content", "setup", "quiet", "log"}},
	{"folder.log", layoutKeys},
	{"sampling", []string{"full", "idle"}},
	{"ring", []string{"keep", "size"}},
	{"facts", []string{"every"}},
	{"beat", []string{"every"}},
	{"spool", []string{"size"}},
	{"socket", []string{"path", "group"}},
	{"metrics", []string{"listen", "anywhere"}},
	{"witness", []string{"keys", "need", "within"}},
}

const readingAgent = "agent file"

// ParseAgent reads the file of agent serve; name is how errors call it. The error
// is one line with a position, and has a Hint.
func ParseAgent(name string, data []byte) (*Agent, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingAgent, name)
	}
	r := &reader{schema: agentSchema}
	r.known(root, "")
	a := &Agent{
		File: name, Source: bytes.Clone(data),
		Collector: r.address(root, "collector"),
		Rig:       r.name(root, "rig"),
		State:     r.text(root, "state"),
		Setup:     r.text(root, "setup"),
		Log:       r.logForm(root),
	}
	r.agentTables(root, a)
	a.Folders = r.folders(root)
	if err := r.err(readingAgent, name); err != nil {
		return nil, err
	}
	return a, nil
}

// agentTables reads what stands in tables; one that is not there is an empty one.
func (r *reader) agentTables(root *node, a *Agent) {
	t := r.part(root, "sampling")
	a.FullPace = r.within(t, "full", 20*time.Millisecond, 10*time.Second, defaultFullPace)
	a.IdlePace = r.within(t, "idle", 20*time.Millisecond, time.Minute, max(defaultIdlePace, a.FullPace))
	if a.IdlePace < a.FullPace {
		r.wrong(t, "the pace under load is the faster one", "idle is %v, shorter than full with %v", a.IdlePace, a.FullPace)
	}
	t = r.part(root, "ring")
	a.RingKeep = r.within(t, "keep", 10*time.Minute, 7*24*time.Hour, defaultRingKeep)
	a.RingBytes = r.size(t, "size", 1<<20, defaultRingBytes)
	a.FactsEvery = r.within(r.part(root, "facts"), "every", time.Second, 24*time.Hour, defaultFactsEvery)
	a.BeatEvery = r.within(r.part(root, "beat"), "every", time.Second, time.Hour, defaultBeatEvery)
	a.SpoolBytes = r.size(r.part(root, "spool"), "size", 1<<20, defaultSpoolBytes)
	t = r.part(root, "socket")
	a.Socket, a.SocketGroup = r.text(t, "path"), r.text(t, "group")
	a.Metrics, a.MetricsAnywhere = r.metrics(root)
	r.witnesses(r.part(root, "witness"), a)
}

func (r *reader) logForm(root *node) LogForm {
	return LogForm(cmp.Or(r.oneOf(root, "log", string(LogAuto), string(LogText), string(LogJSON)), string(LogAuto)))
}

// part gives the table under key, an empty one when there is none.
func (r *reader) part(root *node, key string) *node {
	t := r.sub(root, key)
	if t == nil {
		return newTable(root.line)
	}
	r.known(t, key)
	return t
}

// metrics reads [metrics]: where a daemon's numbers are served.
func (r *reader) metrics(root *node) (address string, anywhere bool) {
	t := r.part(root, "metrics")
	address, anywhere = r.address(t, "listen"), r.truth(t, "anywhere")
	if address != "" && !anywhere && !loopbackAddress(address) {
		r.wrong(t.table["listen"], `use 127.0.0.1:PORT, or allow it with anywhere = true`, "metrics at %s could be read from other machines", address)
	}
	return address, anywhere
}

func (r *reader) folders(root *node) (out []Folder) {
	lines := map[string]int{}
	for _, t := range r.tables(root, "folder") {
		r.known(t, "folder")
		f := Folder{
			Path: r.text(t, "path"), Pattern: cmp.Or(r.pathPattern(t), "*"), Setup: r.text(t, "setup"),
			Quiet: r.within(t, "quiet", time.Second, 24*time.Hour, defaultQuiet), Line: t.line,
			Workload: &Workload{
				Name: r.name(t, "workload"), Version: r.name(t, "version"), Repeats: 1,
				Content: Content(r.oneOf(t, "content", string(ByTime), string(ByFrame))), Log: &Log{},
			},
		}
		if l := r.sub(t, "log"); l != nil {
			r.known(l, "folder.log")
			f.Workload.Log = r.layout(l)
		}
		r.need(t, "[[folder]]", "path", `add path = "/srv/dome/logs"`)
		r.need(t, "[[folder]]", "workload", `add workload = "orrery"; its runs are found and compared by it`)
		place := f.Path + "/" + f.Pattern
		if at := lines[place]; at > 0 {
			r.wrong(t, "keep one, or give them patterns that differ", "%s is watched twice, in line %d too", place, at)
		}
		lines[place] = t.line
		out = append(out, f)
	}
	return out
}

// pathPattern reads the pattern of a file's name.
func (r *reader) pathPattern(t *node) string {
	s := r.text(t, "pattern")
	if _, err := path.Match(s, ""); err != nil || strings.ContainsAny(s, "/") {
		r.wrong(t.table["pattern"], `write pattern = "orrery-*.csv"; folders below the path are not watched`, "pattern %q is none of a file's name", s)
		return ""
	}
	return s
}

// within reads a span of time within bounds.
func (r *reader) within(n *node, key string, least, most, otherwise time.Duration) time.Duration {
	d := r.duration(n, key, otherwise)
	if d < least || d > most {
		r.wrong(n.table[key], "give a span from "+short(least)+" to "+short(most), "%s is %v", key, d)
		return otherwise
	}
	return d
}

// short writes a span without the parts that are zero.
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

var amount = regexp.MustCompile(`^([0-9]{1,6}) ?(KiB|MiB|GiB|TiB)$`)

// size reads a number of bytes such as "64 MiB".
func (r *reader) size(n *node, key string, least, otherwise int64) int64 {
	c := n.table[key]
	if c == nil {
		return otherwise
	}
	m := amount.FindStringSubmatch(c.value.Text)
	if c.shape != isValue || c.value.Kind != Text || m == nil {
		r.wrong(c, `write `+key+` = "64 MiB"; KiB, MiB, GiB and TiB are known`, "%s is no size", key)
		return otherwise
	}
	count, _ := strconv.ParseInt(m[1], 10, 64) // six digits
	bytes := count << map[string]int{"KiB": 10, "MiB": 20, "GiB": 30, "TiB": 40}[m[2]]
	if bytes < least {
		r.wrong(c, "give it at least "+strconv.FormatInt(least>>10, 10)+" KiB", "%s is %q", key, c.value.Text)
		return otherwise
	}
	return bytes
}

// address reads HOST:PORT; "" when there is none.
func (r *reader) address(n *node, key string) string {
	s := r.text(n, key)
	if s == "" {
		return ""
	}
	host, port := splitAddress(s)
	number, err := strconv.ParseUint(port, 10, 16)
	if err != nil || host == "" || strings.ContainsFunc(host, unicode.IsSpace) || number == 0 && key == "collector" {
		r.wrong(n.table[key], "write "+key+` = "127.0.0.1:7410"`, "%s is %q, not HOST:PORT", key, s)
		return ""
	}
	return s
}

// splitAddress takes HOST:PORT apart, an IPv6 address standing in brackets; "" for
// what is none.
func splitAddress(s string) (host, port string) {
	i := strings.LastIndexByte(s, ':')
	if i < 0 {
		return "", ""
	}
	host, port = s[:i], s[i+1:]
	if inner, ok := strings.CutPrefix(host, "["); ok {
		if inner, ok = strings.CutSuffix(inner, "]"); ok {
			return inner, port
		}
	}
	if strings.ContainsAny(host, "[]:/") {
		return "", ""
	}
	return host, port
}

var loopbackFour = regexp.MustCompile(`^127(\.[0-9]{1,3}){3}$`)

func loopbackAddress(address string) bool {
	host, _ := splitAddress(address)
	return host == "localhost" || host == "::1" || loopbackFour.MatchString(host)
}

// truth reads true or false; false when there is none.
func (r *reader) truth(n *node, key string) bool {
	c := n.table[key]
	if c == nil {
		return false
	}
	if c.shape != isValue || c.value.Kind != Truth {
		r.wrong(c, "write "+key+" = true or "+key+" = false, without quotes", "%s is %s, not true or false", key, c)
	}
	return c.value.Truth
}
