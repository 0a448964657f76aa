package vigil_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/labtest"
	"witnessmark/internal/probe"
	"witnessmark/internal/setup"
	"witnessmark/internal/vigil"
	"witnessmark/internal/watch"
)

// The agent starts without a collector in reach, says so, and catches up when
// there is one; what moves on the machine is at the collector at once, and a new
// plan is gone by.
func TestVigil(t *testing.T) {
	s := newSite(t, "heron")
	ids := s.put(3)
	s.cut.Store(true)
	v, stop := s.run()
	s.until("troubles", func() bool {
		now := v.Status()
		return len(now.Troubles) == 2 && now.Waiting.Runs == 3 && now.Sampled >= 0 && now.Facts > 0
	})
	s.cut.Store(false)
	s.until("deliveries and a beat", func() bool { return v.Status().Waiting.Runs == 0 && s.beat() != nil })
	s.until("no troubles", func() bool { return len(v.Status().Troubles) == 0 && len(s.beat().Troubles) == 0 })
	if b := s.beat(); b.Setup != "memory-rated" || b.Agent != "0.1.0" || s.flagged("cpu.governor") {
		t.Errorf("%+v", b)
	}
	s.set("sys/devices/system/cpu/cpufreq/policy*/scaling_governor", "powersave\n")
	s.kernel <- struct{}{}
	s.until("the flag", func() bool { return s.flagged("cpu.governor") })
	if b := s.beat(); !slices.ContainsFunc(b.Moved, func(m answer.Moved) bool { return m.Fact == "cpu.governor" }) {
		t.Errorf("moved: %+v", b.Moved)
	}
	s.until("its own word on it", func() bool { return len(v.Status().Judgement.Flags) > 0 })
	later, err := v.Reload(t.Context(), s.parse("collector = '"+address+"'\nrig = 'heron'\nbeat.every = '1s'\nring.keep = '5h'\n"))
	if err != nil || !slices.Equal(later, []string{"ring"}) {
		t.Errorf("%v, %v", later, err)
	}
	if later, err := v.Reload(t.Context(), s.parse("collector = '"+address+"'\nrig = 'heron'\nbeat.every = '1s'\nring.keep = '5h'\nstate = '/srv/other'\n")); err != nil || !slices.Equal(later, []string{"state", "ring"}) {
		t.Errorf("what was changed before and is not in force yet: %v, %v", later, err)
	}
	s.until("no setup", func() bool { return s.beat().Setup == "" && v.Status().Setup == "" })
	if err := v.Check(t.Context()); err != nil {
		t.Error(err)
	}
	from := v.Status()
	stop()
	got := labtest.Kept(t, s.kept.Archive)
	for _, id := range ids {
		if _, ok := got[id]; !ok {
			t.Errorf("run %s is not kept", id)
		}
	}
	if len(got) != len(ids) || from.Delivered != 3 {
		t.Errorf("%d kept, %d said to be delivered", len(got), from.Delivered)
	}
	s.sampled()
}

// What keeps the agent from beginning to talk to its collector may pass.
func TestConnectsOnceItCan(t *testing.T) {
	s := newSite(t, "heron")
	s.put(1)
	s.denied.Store(true)
	v, _ := s.run()
	s.until("the trouble", func() bool {
		return slices.ContainsFunc(v.Status().Troubles, func(x deliver.Trouble) bool { return strings.Contains(x.What, "permission denied") })
	})
	s.denied.Store(false)
	s.until("a beat and the delivery", func() bool { return s.beat() != nil && v.Status().Waiting.Runs == 0 })
	s.until("no trouble", func() bool { return len(v.Status().Troubles) == 0 })
}

// A beat that fails says where and what to do, for as long as there are beats.
func TestBeatsSayWhere(t *testing.T) {
	s := newSite(t, "heron")
	s.cut.Store(true)
	v, _ := s.run()
	s.until("the trouble", func() bool {
		return slices.ContainsFunc(v.Status().Troubles, func(x deliver.Trouble) bool { return strings.HasPrefix(x.What, "beat: "+address+": ") })
	})
	if _, err := v.Reload(t.Context(), s.parse("rig = 'heron'\n")); err != nil {
		t.Fatal(err)
	}
	s.until("no trouble", func() bool { return len(v.Status().Troubles) == 0 })
}

// Spans that are begun and ended while the agent is given plan after plan are all
// there, also for the next agent.
func TestSpansOutliveReloads(t *testing.T) {
	s := newSite(t, "heron")
	text := "collector = '" + address + "'\nrig = 'heron'\nbeat.every = '1s'\n[[folder]]\npath = '" + t.TempDir() + "'\nworkload = 'orrery'\n"
	s.plan = s.parse(text)
	v, stop := s.run()
	ctx, cancel := context.WithCancel(t.Context())
	var storm sync.WaitGroup
	storm.Go(func() {
		for ctx.Err() == nil {
			if _, err := v.Reload(ctx, s.parse(text)); err != nil && ctx.Err() == nil {
				t.Error(err)
			}
		}
	})
	var want []string
	for i := range 200 {
		name := fmt.Sprintf("orrery-%d", i)
		if err := v.BeginSpan(name); err != nil {
			t.Fatal(err)
		}
		if want = append(want, name); i%2 == 0 {
			if _, err := v.EndSpan(name); err != nil {
				t.Fatal(err)
			}
			want = want[:len(want)-1]
		}
	}
	cancel()
	storm.Wait()
	stop()
	if err := v.BeginSpan("late"); err == nil || fault.HintOf(err) == "" {
		t.Errorf("begun at an agent that is gone: %v", err)
	}
	next, _ := s.run()
	if got := next.Status().Spans; !slices.Equal(got, want) {
		t.Errorf("open are %q, and should be %q", got, want)
	}
}

// sampled looks at what the stopped agent left in the ring.
func (s *site) sampled() {
	s.t.Helper()
	r, err := watch.OpenRing(filepath.Join(s.state, "ring"), watch.RingBounds{})
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Close()
	live, err := probe.LiveTree()
	if err != nil {
		s.t.Fatal(err)
	}
	defer live.Close()
	clock, err := watch.LiveClock(live)
	if err != nil {
		s.t.Fatal(err)
	}
	now := clock.Read().Instant()
	c, err := r.Cut(now.Add(-time.Hour), now)
	n := 0
	for _, x := range c.Signals {
		n += len(x.Values)
	}
	if err != nil || n == 0 {
		s.t.Errorf("%d samples are in the ring: %v", n, err)
	}
}

// A log that turns up becomes a run at the collector, once, whatever is done to
// the file afterwards, and whoever stops and starts the agent.
func TestTakesLogs(t *testing.T) {
	s := newSite(t, "heron")
	logs := t.TempDir()
	s.plan = s.parse("collector = '" + address + "'\nrig = 'heron'\nsetup = 'heron.toml'\nbeat.every = '1s'\n" +
		"[[folder]]\npath = '" + logs + "'\npattern = 'orrery-*.csv'\nworkload = 'orrery'\nversion = '3'\nquiet = '1s'\n")
	v, stop := s.run()
	s.until("spans are taken", func() bool { return v.BeginSpan("orrery") == nil })
	text := "frame_ms\n" + strings.Repeat("8.25\n8.5\n7.75\n", 50)
	place := filepath.Join(logs, "orrery-1.csv")
	if err := os.WriteFile(place+".tmp", []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(place+".tmp", place); err != nil {
		t.Fatal(err)
	}
	if d, err := v.EndSpan("orrery"); err != nil || d <= 0 {
		t.Errorf("%v, %v", d, err)
	}
	kept := func() (runs []answer.Summary) {
		if err := answer.NewClient(s.kept).Runs(context.Background(), answer.Query{}, func(r answer.Summary) error { runs = append(runs, r); return nil }); err != nil {
			t.Fatal(err)
		}
		return runs
	}
	s.until("the run", func() bool { return len(kept()) == 1 && v.Status().Taken == 1 })
	if r := kept()[0]; r.Workload != "orrery" || r.Rig != "heron" || r.Setup != "memory-rated" || r.Statistics.Frames != 150 {
		t.Errorf("%+v", r)
	}
	if now := v.Status(); len(now.Troubles) > 0 {
		t.Errorf("%+v", now)
	}
	stop()
	if err := os.WriteFile(filepath.Join(logs, "orrery-copy.csv"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(logs, "orrery-2.csv"), []byte("frame_ms\n900\n950\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	v, _ = s.run()
	s.until("the second run", func() bool { return len(kept()) == 2 && v.Status().Waiting.Runs == 0 })
	if got := labtest.Kept(t, s.kept.Archive); len(got) != 2 {
		t.Errorf("%d runs are kept of two logs", len(got))
	}
}

func TestOneForAStateFolder(t *testing.T) {
	s := newSite(t, "heron")
	_, stop := s.run()
	_, err := s.open()
	if err == nil || !strings.Contains(err.Error(), "another agent serve has it") || fault.HintOf(err) == "" {
		t.Errorf("a second one: %v", err)
	}
	stop()
	v, err := s.open()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	v.Run(ctx)
}

// With too few rights the agent is at work all the same, and knows what it could
// not read.
func TestTooFewRights(t *testing.T) {
	s := newSite(t, "heron-unprivileged")
	v, _ := s.run()
	s.until("a beat", func() bool { return s.beat() != nil })
	if now := v.Status(); now.Unread == 0 || now.Facts <= now.Unread {
		t.Errorf("%d facts, %d of them unread", now.Facts, now.Unread)
	}
}

func TestSettle(t *testing.T) {
	s := newSite(t, "heron")
	v, _ := s.run()
	const sensor = "sys/devices/platform/coretemp.0/hwmon/hwmon3/temp1_input"
	below := 90.0
	want := setup.Settle{BelowCelsius: &below, Limit: time.Hour}
	if left, err := v.Settle(t.Context(), want, func([]string) error { return nil }); err != nil || len(left) > 0 {
		t.Errorf("a cool rig: %q, %v", left, err)
	}
	s.set(sensor, "97000\n")
	want.Limit = time.Nanosecond
	s.until("it is warm", func() bool {
		left, err := v.Settle(t.Context(), want, func([]string) error { return nil })
		return err == nil && strings.Contains(strings.Join(left, ", "), "97.0 °C")
	})
	want.Limit = time.Hour
	left, err := v.Settle(t.Context(), want, func([]string) error { s.set(sensor, "41000\n"); return nil })
	if err != nil || len(left) > 0 {
		t.Errorf("cooled down: %q, %v", left, err)
	}
	// The tree's processors stand still, so that nobody knows how busy they are.
	load := setup.Settle{OtherLoadPercent: &below, Limit: time.Hour}
	if left, err := v.Settle(t.Context(), load, func([]string) error { return nil }); err != nil || len(left) != 1 || !strings.Contains(left[0], "cannot be read") {
		t.Errorf("what cannot be read: %q, %v", left, err)
	}
	gone := errors.New("gone")
	s.set(sensor, "97000\n")
	s.until("who asked is gone", func() bool {
		_, err := v.Settle(t.Context(), want, func([]string) error { return gone })
		return errors.Is(err, gone)
	})
}

func TestPlan(t *testing.T) {
	files := map[string]string{
		"/etc/wm/agent.toml": "state = 'here'\nsetup = 'heron.toml'\n[[folder]]\npath = 'logs'\nworkload = 'orrery'\n[[folder]]\npath = '/srv/b'\nworkload = 'b'\nsetup = '/x/other.toml'\n",
		"/etc/wm/heron.toml": "label = 'a'\n", "/x/other.toml": "label = 'b'\n",
	}
	read := func(name string) ([]byte, error) {
		if s, ok := files[filepath.ToSlash(name)]; ok {
			return []byte(s), nil
		}
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	p, err := vigil.ReadPlan("/etc/wm/agent.toml", read)
	if err != nil {
		t.Fatal(err)
	}
	if filepath.ToSlash(p.State) != "/etc/wm/here" || p.Setup.Label != "a" || filepath.ToSlash(p.Folders[0].Path) != "/etc/wm/logs" ||
		p.Folders[0].Setup.Label != "a" || p.Folders[1].Path != "/srv/b" || p.Folders[1].Setup.Label != "b" {
		t.Errorf("%+v", p)
	}
	for name, c := range map[string]struct{ text, want string }{
		"no file":       {"", "agent file: /etc/wm/agent.toml: file does not exist"},
		"no setup":      {"setup = 'no.toml'\n", "setup file: /etc/wm/no.toml: file does not exist"},
		"wrong setup":   {"setup = 'bad.toml'\n", "setup file: /etc/wm/bad.toml:2: "},
		"unknown key":   {"setpu = 'x'\n", `agent file: /etc/wm/agent.toml:1: unknown key "setpu"`},
		"folder's own":  {"[[folder]]\npath='a'\nworkload='b'\nsetup='no.toml'\n", "setup file: /etc/wm/no.toml: file does not exist"},
		"unknown facts": {"setup = 'odd.toml'\n", "setup file: /etc/wm/odd.toml:3: "},
	} {
		files["/etc/wm/bad.toml"], files["/etc/wm/odd.toml"] = "label = 'x'\nexpct = 3\n", "label = 'x'\n[expect]\n'memory.sped' = 3\n"
		if files["/etc/wm/agent.toml"] = c.text; c.text == "" {
			delete(files, "/etc/wm/agent.toml")
		}
		p, err := vigil.ReadPlan("/etc/wm/agent.toml", read)
		if p != nil || err == nil || !strings.HasPrefix(filepath.ToSlash(err.Error()), c.want) || fault.HintOf(err) == "" || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v (%q)", name, err, fault.HintOf(err))
		}
	}
}
