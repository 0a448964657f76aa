//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
)

// dome is a collector with rigs around it, each of them the built commands in
// processes of their own.
type dome struct {
	t       *testing.T
	root    string
	here    string // the collector's state folder, as long as its disk lasts
	other   string // one into which its backup is restored
	safe    string // where its keys are kept apart
	address string
	served  *labtest.Child
	rigs    []*outpost
	calm    func() // ends the load
}

// outpost is a rig of the dome.
type outpost struct {
	*bench
	name    string
	minded  *labtest.Child // agent serve; nil where runs are started by hand
	dropped int            // logs, which landed in its folder
}

// TestGoesOnFromTheBackup: while rigs deliver as fast as runs are taken from them, by
// agent serve and by agent run, a backup is made. Restored elsewhere it is whole and has
// every run that was acknowledged before it began. Then the disk is lost, and the
// collector served from what was restored. Every rig, one that joined since the backup
// among them, says that the trail was rolled back, and goes on spooling; nothing is kept
// until the keeper has said that the trail goes on without what is lost. Once the
// operators have accepted that, all that waits is delivered.
func TestGoesOnFromTheBackup(t *testing.T) {
	d := newDome(t)
	file, before := d.backUp()
	restored := d.restore(file, before)
	curlew := d.joins("curlew", archiveOf(d.here))
	if run := curlew.run(0); run.Receipt == nil {
		t.Fatalf("not taken: %v", run.Spooled)
	}
	d.loseDisk()
	if run := curlew.run(4); run.Receipt != nil || run.Spooled == "" {
		t.Errorf("taken from a rig that the backup does not know: %+v", run.Receipt)
	}
	d.alarmed(file)
	lost := receiptsOf(d.rigs...)
	d.keepsNothing()
	d.goOn()
	if out := curlew.says(1, "spool", "send"); !strings.Contains(out, "not one that was admitted for rig curlew") || !strings.Contains(out, "agent enroll") {
		t.Error(out)
	}
	d.enrol(curlew, archiveOf(d.other))
	d.deliverAll()
	if out := d.says(0, "check", "--state", d.other); !strings.Contains(out, "all is well") {
		t.Error(out)
	}
	got := d.runsIn(d.other)
	for id := range receiptsOf(d.rigs...) {
		if !got[id] && (restored[id] || !lost[id]) {
			t.Errorf("run %s is not there; it was in the backup: %v", id, restored[id])
		}
	}
	d.ends(d.served)
}

// newDome has three rigs, two of which agent serve minds, under load.
func newDome(t *testing.T) *dome {
	root := t.TempDir()
	d := &dome{t: t, root: root, here: filepath.Join(root, "here"), other: filepath.Join(root, "other"), safe: filepath.Join(root, "safe")}
	d.serve(freeAddress(), archiveOf(d.here)) // at which it comes back
	carry(t, archiveOf(d.here), d.safe, "trail.key", "authority.pem")
	for i, name := range []string{"heron", "plover", "avocet"} {
		if o := d.joins(name, archiveOf(d.here)); i < 2 {
			o.mind()
		}
	}
	d.load()
	return d
}

func archiveOf(state string) string { return filepath.Join(state, "archive") }

// backUp makes a backup under load, and waits until each rig has seen more than is in
// it. It gives the runs that were acknowledged before it began.
func (d *dome) backUp() (file string, before map[string]bool) {
	d.t.Helper()
	for _, o := range d.rigs {
		o.acknowledged(12)
	}
	before, file = receiptsOf(d.rigs...), filepath.Join(d.root, "dome.backup")
	d.says(0, "backup", "--state", d.here, "-o", file)
	d.t.Logf("%d runs were acknowledged when the backup began, and %d when it was made", len(before), len(receiptsOf(d.rigs...)))
	for _, o := range d.rigs {
		o.acknowledged(len(receiptsOf(o)) + 2)
	}
	return file, before
}

// restore puts the backup elsewhere, where it is checked and must have those runs. It
// gives all that it has.
func (d *dome) restore(file string, before map[string]bool) (restored map[string]bool) {
	d.t.Helper()
	d.says(0, "restore", file, "--data", archiveOf(d.other), "--trail-key", filepath.Join(d.safe, "trail.key"))
	if out := d.says(0, "check", "--state", d.other); !strings.Contains(out, "all is well") {
		d.t.Error(out)
	}
	restored = d.runsIn(d.other)
	for id := range before {
		if !restored[id] {
			d.t.Errorf("run %s was acknowledged before the backup began and is not in it", id)
		}
	}
	d.t.Logf("%d runs were restored", len(restored))
	return restored
}

// loseDisk kills the collector under load, and serves what was restored at its address.
func (d *dome) loseDisk() {
	d.t.Helper()
	d.served.Kill()
	if err := os.RemoveAll(d.here); err != nil {
		d.t.Fatal(err)
	}
	carry(d.t, d.safe, archiveOf(d.other), "authority.pem")
	d.serve(d.address, archiveOf(d.other))
}

// alarmed waits until every rig has raised its alarm, after which the load ends. By the
// head that a rig has seen the backup is not restored again unnoticed.
func (d *dome) alarmed(file string) {
	d.t.Helper()
	for _, o := range d.rigs {
		al := o.alarm()
		if !strings.Contains(al.Why, "the trail was rolled back") || al.Seen.Size <= al.Now.Size || al.Seen.Key != al.Now.Key {
			d.t.Errorf("%s: %v", o.name, al)
		}
		if o.minded != nil {
			o.waits("tells of it", func() bool { return strings.Contains(o.says(0, "now"), "the trail was rolled back") })
		}
	}
	d.calm()
	head := filepath.Join(d.rigs[0].alarm().Folder, "seen.head")
	if out := d.says(1, "restore", file, "--data", filepath.Join(d.root, "third"), "--head", head); !strings.Contains(out, "it would go back behind a head that was signed") {
		d.t.Error(out)
	}
}

// keepsNothing has each rig spool one run more, of which the collector takes none.
func (d *dome) keepsNothing() {
	d.t.Helper()
	before := d.runsIn(d.other)
	for _, o := range d.rigs {
		n := len(o.left("ready"))
		if o.minded != nil {
			o.drop()
		} else {
			o.run(4)
		}
		o.waits("more in its spool", func() bool { return len(o.left("ready")) > n })
	}
	if got := d.runsIn(d.other); len(got) != len(before) {
		d.t.Errorf("%d runs are kept after %d, though none may be", len(got), len(before))
	}
	if out := d.says(4, "check", "--state", d.other); !strings.Contains(out, "was signed") {
		d.t.Error(out)
	}
}

// goOn has the keeper say that the trail goes on without what is lost, and the
// operators accept that.
func (d *dome) goOn() {
	d.t.Helper()
	d.ends(d.served)
	again := []string{"restore", "--here", "--data", archiveOf(d.other)}
	if out := d.says(1, again...); !strings.Contains(out, "it would go back behind a head that was signed") || !strings.Contains(out, "--behind --why TEXT") {
		d.t.Error(out)
	}
	if out := d.says(0, append(again, "--behind", "--why", "the disk was lost")...); !strings.Contains(out, "says that it went back") {
		d.t.Error(out)
	}
	d.serve(d.address, archiveOf(d.other))
	for _, o := range d.rigs {
		o.says(0, "trail", "accept", o.alarm().Name, "--why", "the disk was lost")
	}
}

// deliverAll waits until all is delivered that waits, and one run more of each rig:
// where runs are started by hand, it is sent by hand.
func (d *dome) deliverAll() {
	d.t.Helper()
	for _, o := range d.rigs {
		if o.minded != nil {
			o.drop()
			o.acknowledged(o.dropped)
			d.ends(o.minded)
		} else {
			o.says(0, "spool", "send")
			if run := o.run(0); run.Receipt == nil {
				d.t.Errorf("%s: %s", o.name, run.Spooled)
			}
		}
		if names := o.left("ready"); len(names) > 0 {
			d.t.Errorf("%s: left in the spool: %q", o.name, names)
		}
	}
}

// serve starts collector serve for a folder.
func (d *dome) serve(address, dir string) {
	d.t.Helper()
	d.served = labtest.Start(d.t, exec.Command(program("collector"), "serve", "--listen", address, "--data", dir))
	line, ok := d.served.Line()
	if !ok {
		d.t.Fatal(d.served.Wait())
	}
	d.address = line
}

// ends stops a daemon in order.
func (d *dome) ends(c *labtest.Child) {
	d.t.Helper()
	c.Signal(syscall.SIGTERM)
	if err := c.Wait(); err != nil {
		d.t.Errorf("ended by a signal: %v", err)
	}
}

// says makes a call of the collector's command, which must end with a code, and gives
// all that it says.
func (d *dome) says(want int, args ...string) string {
	d.t.Helper()
	return said(d.t, want, exec.Command(program("collector"), args...))
}

func (o *outpost) says(want int, args ...string) string {
	o.t.Helper()
	return said(o.t, want, o.agent(args...))
}

func said(t testing.TB, want int, cmd *exec.Cmd) string {
	t.Helper()
	out, err := cmd.CombinedOutput()
	if got := code(t, err); got != want {
		t.Fatalf("%v: code %d, want %d: %s", cmd.Args, got, want, out)
	}
	return string(out)
}

// carry copies files of a folder.
func carry(t testing.TB, from, to string, names ...string) {
	t.Helper()
	for _, name := range names {
		b, err := os.ReadFile(filepath.Join(from, name))
		if err := errors.Join(err, os.MkdirAll(to, 0o700), os.WriteFile(filepath.Join(to, name), b, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
}

// runsIn gives the runs of the archive in a state folder, served or not.
func (d *dome) runsIn(state string) map[string]bool {
	d.t.Helper()
	out, err := exec.Command(program("collector"), "runs", "--state", state, "--json").Output()
	var printed struct{ Runs []answer.Run }
	if err == nil {
		err = json.Unmarshal(out, &printed)
	}
	if err != nil {
		d.t.Fatal(err)
	}
	ids := map[string]bool{}
	for _, r := range printed.Runs {
		ids[r.ID] = true
	}
	return ids
}

// joins makes a rig a member of the collector in a folder.
func (d *dome) joins(name, dir string) *outpost {
	d.t.Helper()
	at := filepath.Join(d.root, name)
	o := &outpost{bench: &bench{t: d.t, dir: at, state: filepath.Join(at, "state"), address: d.address}, name: name}
	if err := os.MkdirAll(filepath.Join(at, "logs"), 0o755); err != nil {
		d.t.Fatal(err)
	}
	d.enrol(o, dir)
	d.rigs = append(d.rigs, o)
	return o
}

func (d *dome) enrol(o *outpost, dir string) {
	d.t.Helper()
	token, err := exec.Command(program("collector"), "token", "--rig", o.name, "--data", dir).Output()
	if err != nil {
		d.t.Fatal(err)
	}
	o.says(0, "enroll", "--collector", d.address, "--token", strings.TrimSpace(string(token)))
}

// mind starts agent serve.
func (o *outpost) mind() {
	o.t.Helper()
	config := filepath.Join(o.dir, "agent.toml")
	text := "sampling.full = '500ms'\n[[folder]]\npath = 'logs'\nworkload = 'orrery'\npattern = '*.csv'\nquiet = '1s'\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		o.t.Fatal(err)
	}
	o.minded = labtest.Start(o.t, o.agent("serve", "--config", config, "--root", rigTree(o.t)))
	if _, ok := o.minded.Line(); !ok {
		o.t.Fatal(o.minded.Wait())
	}
}

// flight is an agent run.
func (o *outpost) flight() *exec.Cmd {
	return o.measure("orrery", []string{"--log", "orrery.csv"}, "-log", "orrery.csv", "-frames", "500")
}

// run makes one that must end with a code.
func (o *outpost) run(want int) answer.Run {
	o.t.Helper()
	out, err := o.flight().Output()
	var printed struct{ Runs []answer.Run }
	if got := code(o.t, err); got != want || json.Unmarshal(out, &printed) != nil || len(printed.Runs) != 1 {
		o.t.Fatalf("%s: code %d, want %d: %s", o.name, got, want, out)
	}
	return printed.Runs[0]
}

// drop has a log of its own land in the watched folder, whole.
func (o *outpost) drop() {
	o.dropped++
	name := fmt.Sprintf("orrery-%d.csv", o.dropped)
	text := fmt.Appendf(nil, "frame_ms\n%d.25\n%s", o.dropped, bytes.Repeat([]byte("8.5\n"), 4000))
	err := os.WriteFile(filepath.Join(o.dir, name), text, 0o644)
	if err := errors.Join(err, os.Rename(filepath.Join(o.dir, name), filepath.Join(o.dir, "logs", name))); err != nil {
		o.t.Error(err)
	}
}

// mostAhead is how many logs of a rig are ahead of its receipts under load.
const mostAhead = 12

// load has rigs measure, and logs land, as fast as what comes of them is taken, and
// some more where nothing is.
func (d *dome) load() {
	done := make(chan struct{})
	var working sync.WaitGroup
	for _, o := range d.rigs {
		working.Go(func() {
			for {
				select {
				case <-done:
					return
				case <-time.After(20 * time.Millisecond):
				}
				switch {
				case o.minded == nil:
					o.flight().Run() // whose outcome its spool tells
				case o.dropped < len(receiptsOf(o))+mostAhead:
					o.drop()
				}
			}
		})
	}
	d.calm = sync.OnceFunc(func() { close(done); working.Wait() })
	d.t.Cleanup(d.calm)
}

// receiptsOf gives the runs that were acknowledged to rigs.
func receiptsOf(all ...*outpost) map[string]bool {
	ids := map[string]bool{}
	for _, o := range all {
		for _, name := range o.left("receipts") {
			if id, ok := strings.CutSuffix(name, ".json"); ok {
				ids[id] = true
			}
		}
	}
	return ids
}

// acknowledged waits until a rig has so many receipts.
func (o *outpost) acknowledged(n int) {
	o.t.Helper()
	o.waits(fmt.Sprint(n, " receipts"), func() bool { return len(receiptsOf(o)) >= n })
}

// alarm waits for the one alarm of a rig.
func (o *outpost) alarm() (al audit.Alarm) {
	o.t.Helper()
	o.waits("an alarm", func() bool {
		open, err := audit.At(filepath.Join(o.state, "trails"), time.Now).Open()
		if err != nil || len(open) > 1 {
			o.t.Fatalf("%s: %+v, %v", o.name, open, err)
		}
		if len(open) == 1 {
			al = open[0]
		}
		return len(open) == 1
	})
	return al
}

func (o *outpost) waits(what string, met func() bool) {
	o.t.Helper()
	for end := time.Now().Add(3 * time.Minute); !met(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			o.t.Fatalf("%s: never %s", o.name, what)
		}
	}
}
