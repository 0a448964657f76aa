package setup

import (
	"bytes"
	"cmp"
	"regexp"
	"strconv"
	"time"
)

// Collector says how a collector is served. Paths are as they are written:
// relative ones are meant from the file's own folder.
type Collector struct {
	File   string // the name it was parsed under
	Source []byte // the file's exact bytes

	Listen string // HOST:PORT
	Data   string // folder; "" for the archive in the state folder

	Authority string // PEM file of the site's own; "" for the collector's, in Data

	Log   LogForm
	Level string // "debug", "info", "warn" or "error": what is logged, and all above it

	Metrics            string // HOST:PORT; "" for none
	MetricsAnywhere    bool   // Metrics may be other than loopback
	ReflectionAnywhere bool   // not only callers on loopback may ask which services there are

	Deliveries Deliveries
	Floor      Floor
}

// Floor is the room that the archive's disk must have left for deliveries to be
// taken: bytes, or a part of the file system. Where both are set the smaller holds.
type Floor struct {
	Bytes int64
	Part  float64 // 0 to 1
}

// DefaultFloor leaves room for marks, retractions and beats, and for whatever else
// lives on the disk.
var DefaultFloor = Floor{Bytes: 1 << 30, Part: 0.05}

// Deliveries bounds what deliveries may take.
type Deliveries struct {
	Record   int64         // bytes of a record
	Parts    int64         // bytes of all attachments of a record
	Count    int           // attachments of a record
	InFlight int64         // bytes held for deliveries that are not yet kept
	Quiet    time.Duration // how long one may be silent, and behind the least rate
	Rate     int64         // the least rate, bytes a second
}

// DefaultDeliveries suit a collector with a few hundred megabytes to spare.
var DefaultDeliveries = Deliveries{Record: 64 << 20, Parts: 256 << 20, Count: 64, InFlight: 512 << 20, Quiet: time.Minute, Rate: 8 << 10}

// The other defaults of a collector file; design choices too.
const (
	DefaultListen = "127.0.0.1:7410"
	defaultLevel  = "info"
)

// MostAttachments bounds what an announcement may list.
const MostAttachments = 4096

// MostBytes bounds a record, and the attachments of one together: an archive unpacks no
// more at once, so that it could not give back what it has kept.
const MostBytes = 1 << 30

var collectorSchema = schema{
	{"", []string{"listen", "data", "authority", "log", "level", "metrics", "reflection", "disk", "deliveries"}},
	{"metrics", []string{"listen", "anywhere"}},
	{"reflection", []string{"anywhere"}},
	{"disk", []string{"floor"}},
	{"deliveries", []string{"record", "attachments", "count", "in_flight", "quiet", "rate"}},
}

const readingCollector = "collector file"

// ParseCollector reads the file of collector serve; name is how errors call it.
// The error is one line with a position, and has a Hint.
func ParseCollector(name string, data []byte) (*Collector, error) {
	root, bad := grow(data)
	if bad != nil {
		return nil, bad.fault(readingCollector, name)
	}
	r := &reader{schema: collectorSchema}
	r.known(root, "")
	c := &Collector{
		File: name, Source: bytes.Clone(data),
		Listen: cmp.Or(r.address(root, "listen"), DefaultListen),
		Data:   r.text(root, "data"), Authority: r.text(root, "authority"),
		Log:   r.logForm(root),
		Level: cmp.Or(r.oneOf(root, "level", "debug", "info", "warn", "error"), defaultLevel),
	}
	c.Metrics, c.MetricsAnywhere = r.metrics(root)
	c.ReflectionAnywhere = r.truth(r.part(root, "reflection"), "anywhere")
	c.Deliveries = r.deliveries(root)
	c.Floor = r.floor(r.part(root, "disk"))
	if err := r.err(readingCollector, name); err != nil {
		return nil, err
	}
	return c, nil
}

var percent = regexp.MustCompile(`^([0-9]{1,2}(\.[0-9]{1,2})?) ?%$`)

// floor reads a size, or a part such as "5%".
func (r *reader) floor(n *node) Floor {
	c := n.table["floor"]
	if c == nil {
		return DefaultFloor
	}
	if m := percent.FindStringSubmatch(c.value.Text); c.shape == isValue && c.value.Kind == Text && m != nil {
		part, _ := strconv.ParseFloat(m[1], 64) // of four digits
		return Floor{Part: part / 100}
	}
	return Floor{Bytes: r.size(n, "floor", 0, DefaultFloor.Bytes)}
}

func (r *reader) deliveries(root *node) Deliveries {
	t, d := r.part(root, "deliveries"), DefaultDeliveries
	d.Record = r.size(t, "record", 1<<20, d.Record)
	d.Parts = r.size(t, "attachments", 1<<20, d.Parts)
	for _, x := range []struct {
		key   string
		bytes int64
	}{{"record", d.Record}, {"attachments", d.Parts}} {
		if x.bytes > MostBytes {
			r.wrong(t.table[x.key], "a run of so much is better recorded as several", "%s is %d MiB, more than %d MiB", x.key, x.bytes>>20, MostBytes>>20)
		}
	}
	if d.Count = r.count(t, "count", d.Count); d.Count > MostAttachments {
		r.wrong(t.table["count"], "a run of so many logs is better recorded as several", "count is %d, more than %d", d.Count, MostAttachments)
	}
	d.InFlight = r.size(t, "in_flight", 1<<20, d.InFlight)
	d.Quiet = r.within(t, "quiet", time.Second, time.Hour, d.Quiet)
	d.Rate = r.size(t, "rate", 1<<10, d.Rate)
	if least := d.Record + d.Parts; d.InFlight < least {
		r.wrong(t, "give in_flight at least as much as record and attachments together", "in_flight is %d MiB, and one delivery may take %d MiB", d.InFlight>>20, least>>20)
	}
	return d
}
