package watch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
	"pgregory.net/rapid"
)

// looked is Folders over one folder, with a clock that only the test moves and a
// note of what was given.
type looked struct {
	*Folders
	dir      string
	now      Reading
	given    []string // path and content
	refused  int      // how many times Found says no
	troubles []string
}

const testQuiet = 5 * time.Second

func lookAt(tb interface{ Fatal(...any) }, dir string) *looked {
	l := &looked{dir: dir, now: Reading{Wall: time.Unix(1930000000, 0).UTC(), Boot: "6c5d"}}
	l.Folders = &Folders{
		Quiet: func(string) time.Duration { return testQuiet }, Clock: ClockFunc(func() Reading { return l.now }),
		Found: func(f Found) bool {
			if l.refused > 0 {
				l.refused--
				return false
			}
			b, err := os.ReadFile(f.Path)
			if err != nil {
				tb.Fatal(err)
			}
			l.given = append(l.given, filepath.Base(f.Path)+" "+string(b))
			return true
		},
		Troubled: func(path string, why error) {
			if why == nil {
				why = errors.New("over")
			}
			l.troubles = append(l.troubles, filepath.Base(path)+": "+why.Error())
		},
	}
	l.begin()
	l.Watch([]string{dir})
	return l
}

func (l *looked) pass(d time.Duration) {
	l.now.SinceBoot, l.now.Awake, l.now.Wall = l.now.SinceBoot+d, l.now.Awake+d, l.now.Wall.Add(d)
}

// after moves the clock and looks as if events had told of the names.
func (l *looked) after(d time.Duration, names ...string) []string {
	l.pass(d)
	heard := map[string]bool{}
	for _, n := range names {
		heard[filepath.Join(l.dir, n)] = true
	}
	l.given = nil
	l.look(context.Background(), heard)
	return l.given
}

func (l *looked) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(l.dir, name), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func expect(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("given %q, want %q", got, want)
	}
}

func TestFilesAreGivenOnceTheyAreComplete(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.write(t, "old.csv", "1")
	expect(t, l.after(0))
	expect(t, l.after(testQuiet-1))
	expect(t, l.after(1), "old.csv 1")
	expect(t, l.after(time.Minute))

	l.write(t, "new.csv", "")
	expect(t, l.after(time.Second, "new.csv"))
	expect(t, l.after(time.Minute), []string{}...) // nothing was written into it
	l.write(t, "new.csv", "12")
	expect(t, l.after(time.Second, "new.csv"))
	l.write(t, "new.csv", "123")
	expect(t, l.after(testQuiet)) // no event told of it, the last look does
	expect(t, l.after(testQuiet), "new.csv 123")
	l.write(t, "new.csv", "1234")
	expect(t, l.after(time.Second, "new.csv"))
	expect(t, l.after(testQuiet), "new.csv 1234")

	l.refused = 2
	l.write(t, "later.csv", "7")
	expect(t, l.after(time.Second, "later.csv"))
	expect(t, l.after(testQuiet))
	l.Wake()
	expect(t, l.after(time.Second))
	expect(t, l.after(time.Second))
	expect(t, l.after(time.Minute), "later.csv 7")
}

func TestRenamedFilesAreComplete(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.after(0)
	l.write(t, ".part", "1")
	part := filepath.Join(l.dir, ".part")
	written := time.Now().Add(-time.Hour) // a renaming shows by its time, of which the kernel's grains can be coarse
	if err := os.Chtimes(part, written, written); err != nil {
		t.Fatal(err)
	}
	l.Wanted = func(path string) bool { return filepath.Base(path) != ".part" }
	if err := os.Rename(part, filepath.Join(l.dir, "a.csv")); err != nil {
		t.Fatal(err)
	}
	want := []string{"a.csv 1"}
	if !canTellRenamed {
		want = nil
	}
	expect(t, l.after(time.Second, ".part", "a.csv"), want...)
}

// TestWrittenWhileItIsLookedFor: what is written after a look has begun was written by
// the time that is told of it.
func TestWrittenWhileItIsLookedFor(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.after(0)
	var found Found
	l.Found = func(f Found) bool { found = f; return true }
	var wrote Reading
	l.Wanted = func(string) bool {
		if wrote == (Reading{}) {
			l.pass(time.Second)
			wrote = l.now
			l.write(t, "a.csv", "1")
		}
		return true
	}
	l.after(time.Second, "a.csv")
	l.after(testQuiet)
	if found.Path == "" || found.Changed.SinceBoot < wrote.SinceBoot || found.Before.SinceBoot > wrote.SinceBoot {
		t.Errorf("written at %v and found as %+v", wrote.SinceBoot, found)
	}
}

// TestWrittenRightAfterTheLook: what is written once a file was looked at was not there
// at that look.
func TestWrittenRightAfterTheLook(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.after(0)
	var found Found
	l.Found = func(f Found) bool { found = f; return true }
	looking := false
	l.Wanted = func(string) bool { looking = true; return true }
	var wrote Reading
	l.Clock = ClockFunc(func() Reading {
		if looking && wrote == (Reading{}) {
			l.pass(time.Second)
			wrote = l.now
			l.write(t, "a.csv", "12")
			l.pass(time.Second)
		}
		return l.now
	})
	l.write(t, "a.csv", "1")
	l.after(time.Second, "a.csv")
	l.after(testQuiet)
	l.after(testQuiet)
	if found.Path == "" || found.Info.Size() != 2 || found.Changed.SinceBoot < wrote.SinceBoot || found.Before.SinceBoot > wrote.SinceBoot {
		t.Errorf("written at %v and found as %+v", wrote.SinceBoot, found)
	}
}

func TestSleepIsNoTimeToWriteIn(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.after(0)
	l.write(t, "a.csv", "1")
	l.after(time.Second, "a.csv")
	l.now.SinceBoot += time.Hour
	expect(t, l.after(time.Second))
	expect(t, l.after(testQuiet), "a.csv 1")
}

func TestLostEventsAndFoldersThatComeAndGo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "logs")
	l := lookAt(t, dir)
	l.after(0)
	l.after(time.Minute)
	if len(l.troubles) != 1 || !strings.Contains(l.troubles[0], "logs: watch folder: "+dir) {
		t.Errorf("told %q of a folder that is not there", l.troubles)
	}
	for range 2 {
		if err := os.Mkdir(dir, 0o777); err != nil {
			t.Fatal(err)
		}
		l.write(t, "a.csv", "1")
		l.after(time.Minute)
		expect(t, l.after(testQuiet), "a.csv 1")
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
		l.hear(fsnotify.Event{Name: dir, Op: fsnotify.Remove}, map[string]bool{})
		l.after(time.Second)
	}
	if want := 5; len(l.troubles) != want || l.troubles[1] != "logs: over" {
		t.Errorf("told %q, want %d times in turn", l.troubles, want)
	}
	os.Mkdir(dir, 0o777)
	l.after(time.Minute)
	l.write(t, "b.csv", "2")
	l.missed(fsnotify.ErrEventOverflow)
	l.after(time.Second)
	expect(t, l.after(testQuiet), "b.csv 2")
}

func TestOnlyPlainFilesAreTouched(t *testing.T) {
	l := lookAt(t, t.TempDir())
	l.write(t, "target", "secret")
	path := func(name string) string { return filepath.Join(l.dir, name) }
	if err := os.Symlink(path("target"), path("link.csv")); err != nil {
		t.Skip(err)
	}
	pipe := makePipe(path("pipe.csv"))
	os.Mkdir(path("folder.csv"), 0o777)
	for range 5 {
		for _, given := range l.after(time.Minute) {
			if given != "target secret" {
				t.Errorf("given %s", given)
			}
		}
	}
	want := 1
	if pipe {
		want = 2
	}
	link := func(told string) bool { return strings.Contains(told, "it is a link and not a plain file") }
	if len(l.troubles) != want || !slices.ContainsFunc(l.troubles, link) { // in the order of the file system
		t.Errorf("told %q", l.troubles)
	}
	os.Remove(path("link.csv"))
	l.write(t, "link.csv", "1")
	l.after(time.Minute)
	expect(t, l.after(time.Minute), "link.csv 1")
}

// TestOpenRefusesWhatWasPutInItsPlace swaps a file for others after it was found.
func TestOpenRefusesWhatWasPutInItsPlace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.csv")
	for name, swap := range map[string]func() error{
		"link":   func() error { return os.Symlink("/etc/passwd", path) },
		"pipe":   func() error { makePipe(path); return nil },
		"other":  func() error { return os.WriteFile(path, []byte("22"), 0o666) },
		"folder": func() error { return os.Mkdir(path, 0o777) },
		"none":   func() error { return nil },
	} {
		os.RemoveAll(path)
		if err := os.WriteFile(path, []byte("1"), 0o666); err != nil {
			t.Fatal(err)
		}
		info, err := os.Lstat(path)
		if err != nil {
			t.Fatal(err)
		}
		found := Found{Path: path, Info: info}
		f, err := found.Open()
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		os.Remove(path)
		if err := swap(); err != nil {
			t.Fatal(err)
		}
		if f, err := found.Open(); !errors.Is(err, ErrChanged) {
			t.Errorf("%s: opened %v, %v", name, f, err)
		}
	}
}

// TestFoldersModel does random things in a folder, with and without events, and
// holds what is given against a model: only what was as it is for long enough,
// each version once, and in the end all.
func TestFoldersModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "folders")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		l := lookAt(t, dir)
		type file struct {
			text    string
			changed time.Duration
		}
		model, version := map[string]file{}, 0
		given := map[string]int{}
		look := func(d time.Duration, names ...string) {
			for _, g := range l.after(d, names...) {
				name, text, _ := strings.Cut(g, " ")
				f := model[name]
				if given[g]++; given[g] > 1 || f.text != text || l.now.Awake-f.changed < testQuiet {
					t.Fatalf("%s was given %d times; it is %v, %v ago", g, given[g], f, l.now.Awake-f.changed)
				}
			}
		}
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			name := rapid.SampledFrom([]string{"a.csv", "b.csv", "c.csv"}).Draw(t, "name")
			path := filepath.Join(dir, name)
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0, 1:
				version++
				f := file{strings.Repeat("x", version) + fmt.Sprint(version), l.now.Awake}
				if err := os.WriteFile(path, []byte(f.text), 0o666); err != nil {
					t.Fatal(err)
				}
				model[name] = f
			case 2:
				os.Remove(path)
				delete(model, name)
			}
			heard := []string{name}
			if rapid.Bool().Draw(t, "lost") {
				heard = nil
			}
			look(time.Duration(rapid.IntRange(0, 8000).Draw(t, "ms"))*time.Millisecond, heard...)
		}
		look(time.Minute)
		look(time.Minute)
		for name, f := range model {
			if given[name+" "+f.text] != 1 {
				t.Fatalf("%s was given %d times", name, given[name+" "+f.text])
			}
		}
	})
}

// TestFoldersLive has the real events and the real time.
func TestFoldersLive(t *testing.T) {
	dir := t.TempDir()
	start := time.Now()
	var mu sync.Mutex
	given := map[string]int{}
	f := &Folders{
		Rescan: time.Hour, Quiet: func(string) time.Duration { return 50 * time.Millisecond },
		Clock: ClockFunc(func() Reading {
			d := time.Since(start)
			return Reading{Wall: time.Now().UTC(), Boot: "6c5d", SinceBoot: d, Awake: d}
		}),
		Found: func(f Found) bool {
			mu.Lock()
			defer mu.Unlock()
			given[filepath.Base(f.Path)]++
			return true
		},
	}
	f.Watch([]string{dir})
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		f.Run(ctx)
	}()
	for i := range 20 {
		path := filepath.Join(dir, fmt.Sprintf("%d.csv", i))
		if err := os.WriteFile(path, []byte("1"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		mu.Lock()
		n := len(given)
		mu.Unlock()
		if n == 20 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("after a minute %d files of 20 were given", n)
		}
	}
	stop()
	<-done
	for name, n := range given {
		if n != 1 {
			t.Errorf("%s was given %d times", name, n)
		}
	}
}
