package setup

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestCollectorDefaults(t *testing.T) {
	c, err := ParseCollector("collector.toml", nil)
	if err != nil {
		t.Fatal(err)
	}
	want := &Collector{
		File: "collector.toml", Listen: "127.0.0.1:7410", Log: LogAuto, Level: "info",
		Deliveries: Deliveries{Record: 64 << 20, Parts: 256 << 20, Count: 64, InFlight: 512 << 20, Quiet: time.Minute, Rate: 8 << 10},
		Floor:      Floor{Bytes: 1 << 30, Part: 0.05},
	}
	if d := cmp.Diff(want, c); d != "" {
		t.Error(d)
	}
}

func TestCollectorFile(t *testing.T) {
	c, err := ParseCollector("collector.toml", []byte(`
listen = "[::1]:0"
data = "archive"
authority = "site.pem"
log = "json"
level = "debug"
metrics = { listen = "0.0.0.0:7411", anywhere = true }
reflection.anywhere = true
disk.floor = "12.5 %"
[deliveries]
record = "1 MiB"
attachments = "2 MiB"
count = 3
in_flight = "4 MiB"
quiet = "5s"
rate = "2 KiB"
`))
	if err != nil {
		t.Fatal(err)
	}
	want := &Collector{
		File: "collector.toml", Source: c.Source, Listen: "[::1]:0", Data: "archive", Authority: "site.pem", Log: LogJSON, Level: "debug",
		Metrics: "0.0.0.0:7411", MetricsAnywhere: true, ReflectionAnywhere: true,
		Deliveries: Deliveries{Record: 1 << 20, Parts: 2 << 20, Count: 3, InFlight: 4 << 20, Quiet: 5 * time.Second, Rate: 2 << 10},
		Floor:      Floor{Part: 0.125},
	}
	if d := cmp.Diff(want, c); d != "" {
		t.Error(d)
	}
}

func TestCollectorRefusals(t *testing.T) {
	for _, c := range []refusal{
		{"misspelt", "lissen = 'a:1'\n", `:1: unknown key "lissen"`, `"listen"`},
		{"misspelt in a table", "[deliveries]\nquite = '9s'\n", `:2: unknown key "quite"`, `"quiet"`},
		{"slid below a table", "[metrics]\nlevel = 'info'\n", `:2: unknown key "level"`, "stands above the first [table]"},
		{"address without host", "listen = ':7410'\n", `:1: listen is ":7410", not HOST:PORT`, "127.0.0.1:7410"},
		{"log form", "log = 'xml'\n", `:1: log is "xml", not one of auto text json`, "nearest"},
		{"level", "level = 'warning'\n", `:1: level is "warning", not one of debug info warn error`, `"warn"`},
		{"metrics for all", "[metrics]\nlisten = '0.0.0.0:9'\n", `:2: metrics at 0.0.0.0:9 could be read from other machines`, "anywhere = true"},
		{"too many attachments", "[deliveries]\ncount = 5000\n", `:2: count is 5000, more than 4096`, "several"},
		{"a record larger than any", "[deliveries]\nrecord = '2 GiB'\nin_flight = '8 GiB'\n", `:2: record is 2048 MiB, more than 1024 MiB`, "several"},
		{"attachments larger than any", "[deliveries]\nin_flight = '8 GiB'\nattachments = '1025 MiB'\n", `:3: attachments is 1025 MiB, more than 1024 MiB`, "several"},
		{"no attachments", "[deliveries]\ncount = 0\n", `:2: count is 0, not a whole number from 1 to 1000000`, "count = 5"},
		{"silence too long", "[deliveries]\nquiet = '2h'\n", `:2: quiet is 2h0m0s`, "1s to 1h"},
		{"one delivery is more than all", "[deliveries]\nrecord = '512 MiB'\n", `:1: in_flight is 512 MiB, and one delivery may take 768 MiB`, "at least"},
		{"metrics as a text", "metrics = '127.0.0.1:9'\n", `:1: metrics is a text, not a table`, "[metrics]"},
		{"floor of nothing known", "[disk]\nfloor = 'some'\n", `:2: floor is no size`, `"64 MiB"`},
		{"floor above the disk", "[disk]\nfloor = '100%'\n", `:2: floor is no size`, `"64 MiB"`},
		{"size without unit", "[deliveries]\nrecord = 64\n", `:2: record is no size`, `"64 MiB"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseCollector("collector.toml", []byte(c.file))
			c.want = "collector file: collector.toml" + c.want
			c.run(t, err)
		})
	}
}

// A file is refused with one line, or its bytes mean the same again and nothing in
// it exceeds its bounds.
func FuzzParseCollector(f *testing.F) {
	f.Add([]byte("[deliveries]\nrecord='1 MiB'\nin_flight='2 MiB'\nattachments='1 MiB'\n[metrics]\nlisten='[::1]:0'\n"))
	seed(f, "../../deploy/collector.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := ParseCollector("x.toml", data)
		if err != nil {
			if c != nil {
				t.Fatal("an error and a collector")
			}
			oneLiner(t, data, err)
			return
		}
		again, err := ParseCollector("x.toml", c.Source)
		if err != nil || cmp.Diff(c, again) != "" {
			t.Fatalf("the kept bytes give another collector: %v", err)
		}
		d := c.Deliveries
		if d.Record < 1<<20 || d.Record > MostBytes || d.Parts < 1<<20 || d.Parts > MostBytes || d.Count < 1 || d.Count > MostAttachments || d.InFlight < d.Record+d.Parts ||
			d.Quiet < time.Second || d.Quiet > time.Hour || d.Rate < 1<<10 || c.Listen == "" || c.Level == "" {
			t.Fatalf("%+v", c)
		}
		if c.Metrics != "" && !c.MetricsAnywhere && !loopbackAddress(c.Metrics) {
			t.Fatalf("metrics beyond loopback: %s", c.Metrics)
		}
	})
}
