package vrig

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	shown "witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/rig"
)

const residentSetup = `label = "memory-rated"
rig   = "heron"
[expect]
"memory.speed" = 3200
`

const residentFile = `rig   = "heron"
state = "` + stateDir + `"
setup = "heron-rated.toml"
[beat]
every = "1s"
[socket]
path = "/run/agent.sock"
`

// resident is a rig with a disk, which its agent lives on from boot to boot.
type resident struct {
	agent, disk string
	files       map[string]string
	collector   served
}

// serve boots it with the agent that is always on, its memory at a speed that the
// firmware tells of, and gives the boot's id.
func (h resident) serve(t *testing.T, mts uint32) (r *Rig, boot string) {
	t.Helper()
	m := dmi.Astrolabe()
	m.Configure(mts)
	r = Start(t, Config{
		Firmware: m.Structures(), Disk: h.disk, Files: h.files, Forward: []int{h.collector.port(t)},
		Payload: h.agent, Args: []string{"serve", "--config", "agent.toml", "--collector", h.collector.address},
		Timeout: 10 * time.Minute,
	})
	if boot = answer(t, r, "cat /proc/sys/kernel/random/boot_id"); boot == "" {
		t.Fatal("the boot has no id")
	}
	return r, boot
}

// shutDown ends the agent as a service manager does, and with it the boot.
func shutDown(t *testing.T, r *Rig) {
	t.Helper()
	answer(t, r, "signal 15")
	if code, err := r.Wait(); code != 0 || err != nil {
		t.Fatalf("agent: exit code %d, %v\n%s", code, err, r.Console())
	}
}

// Memory that came back at its default speed after a reset of the firmware shows
// at the collector, which was there all the time, before anything is run.
func TestMemoryBackAtItsDefaultShowsWithoutARun(t *testing.T) {
	t.Parallel()
	Need(t)
	h := newResident(t)
	h.collector.enroll(t, h.agent, h.disk)

	r, before := h.serve(t, 3200)
	good := h.collector.awaitBeat(t, "of the first boot", func(b *shown.BeatRow) bool { return b.Setup == "memory-rated" })
	if good.Standing != drift.Clean || onMemory(good.Flags) != nil || len(good.Moved) != 0 {
		t.Errorf("as it should be, the rig stands %s with the flags %+v, and %+v moved", good.Standing, good.Flags, good.Moved)
	}
	shutDown(t, r)

	r, after := h.serve(t, 2400)
	if before == after {
		t.Errorf("both boots have the id %s", after)
	}
	bad := h.collector.awaitBeat(t, "of memory at its default", func(b *shown.BeatRow) bool { return onMemory(b.Flags) != nil })
	checkReset(t, good, bad)
	if table := h.collector.ask(t, "rigs"); !bytes.Contains(table, []byte("caution: underrated memory.speed: 2400 MT/s, expected 3200 MT/s\n")) {
		t.Errorf("people are not shown the flag:\n%s", table)
	}
	shutDown(t, r)
}

func newResident(t *testing.T) resident {
	t.Helper()
	dir := t.TempDir()
	if err := build(dir, nil, "witnessmark/collector"); err != nil {
		t.Fatal(err)
	}
	guestDir := filepath.Join(dir, "guest")
	if err := Build(guestDir+string(filepath.Separator), "witnessmark/agent"); err != nil {
		t.Fatal(err)
	}
	h := resident{agent: filepath.Join(guestDir, "agent"), disk: filepath.Join(dir, "disk"), files: map[string]string{}}
	if err := MakeDisk(h.disk); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"agent.toml": residentFile, "heron-rated.toml": residentSetup} {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		h.files["/root/"+name] = file
	}
	h.collector = serveCollector(t, filepath.Join(dir, "collector"), dir)
	return h
}

// awaitBeat asks for the rigs until the one there is beats as wanted; it has no run.
func (c served) awaitBeat(t *testing.T, what string, wanted func(*shown.BeatRow) bool) *shown.BeatRow {
	t.Helper()
	for deadline := time.Now().Add(5 * time.Minute); ; time.Sleep(500 * time.Millisecond) {
		var list struct{ Rigs []shown.RigRow }
		got := c.ask(t, "rigs", "--json")
		if err := json.Unmarshal(got, &list); err != nil {
			t.Fatal(err)
		}
		for _, r := range list.Rigs {
			if r.Name != "heron" || r.Runs != 0 {
				t.Fatalf("rig %s with %d runs, want heron with none", r.Name, r.Runs)
			}
			if r.Beat != nil && wanted(r.Beat) {
				return r.Beat
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("no beat %s came; to the end the rigs were\n%s", what, got)
		}
	}
}

// onMemory gives the flags on the memory's speed.
func onMemory(all []drift.Flag) (on []drift.Flag) {
	for _, f := range all {
		if f.Fact == "memory.speed" {
			on = append(on, f)
		}
	}
	return on
}

func checkReset(t *testing.T, good, bad *shown.BeatRow) {
	t.Helper()
	for _, kind := range []drift.Kind{drift.Underrated, drift.Undeclared} {
		found := slices.ContainsFunc(onMemory(bad.Flags), func(f drift.Flag) bool {
			return f.Kind == kind && f.Weight == rig.Caution && f.Seen == rig.NumberOf(2400) && f.Expected == rig.NumberOf(3200)
		})
		if !found {
			t.Errorf("no flag %s on memory.speed among %+v", kind, bad.Flags)
		}
	}
	moved := slices.ContainsFunc(bad.Moved, func(m shown.MovedRow) bool {
		return m.Fact == "memory.speed" && m.Was == rig.NumberOf(3200) && m.Now == rig.NumberOf(2400) && m.Against == "the boot before"
	})
	if !moved {
		t.Errorf("memory.speed is not among what moved: %+v", bad.Moved)
	}
	if bad.Standing != drift.Careful || !bad.Last.After(good.Last) {
		t.Errorf("the rig stands %s, last heard of %v after %v", bad.Standing, bad.Last, good.Last)
	}
}
