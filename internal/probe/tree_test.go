package probe

import (
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"witnessmark/internal/rig"
)

// files is a tree to be: path to content. A content of "-> x" is a symbolic
// link to x, of "|" a pipe, and a path that ends in "/" a directory.
type files map[string]string

// plant writes the tree and opens it.
func plant(t testing.TB, fs ...files) *Tree {
	t.Helper()
	dir := t.TempDir()
	for _, f := range fs {
		f.write(t, dir)
	}
	return open(t, dir)
}

func open(t testing.TB, dir string) *Tree {
	t.Helper()
	tree, err := CapturedTree(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tree.Close() })
	return tree
}

func (f files) write(t testing.TB, dir string) {
	t.Helper()
	for name, content := range f {
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		link, isLink := strings.CutPrefix(content, "-> ")
		switch {
		case strings.HasSuffix(name, "/"):
			err = os.MkdirAll(p, 0o755)
		case isLink:
			err = os.Symlink(link, p)
		case content == "|":
			err = makePipe(p)
		default:
			err = os.WriteFile(p, []byte(content), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func makePipe(path string) error {
	if runtime.GOOS != "linux" {
		return os.Mkdir(path, 0o755)
	}
	return mkfifo(path)
}

func TestTreeReadsOnlyWhatIsInside(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(outside, []byte("real"), 0o644); err != nil {
		t.Fatal(err)
	}
	tree := plant(t, files{
		"sys/a/value": "42 \n", "sys/link": "-> a", "sys/up": "-> ../../../../../../../../etc",
		"sys/abs": "-> " + outside, "sys/loop": "-> loop", "sys/pipe": "|", "sys/dir/": "",
		"sys/huge": strings.Repeat("x", readCap+1), "sys/full": strings.Repeat("x", readCap),
	})
	for path, want := range map[string]rig.Reason{
		"sys/nothing": rig.Absent, "sys/a/value/more": rig.Absent,
		"sys/up/hostname": rig.Refused, "sys/abs": rig.Refused, "sys/loop": rig.Refused,
		"sys/pipe": rig.Refused, "sys/dir": rig.Refused, "sys/huge": rig.Refused, "/etc/hostname": rig.Refused, "../x": rig.Refused,
	} {
		b, err := tree.Read(path)
		if err == nil {
			t.Errorf("%s was read: %q", path, b)
			continue
		}
		if got := Why(err); got.Reason != want || strings.Contains(got.Detail, os.TempDir()) {
			t.Errorf("%s: %v, want %s", path, got, want)
		}
		if f, err := tree.Open(path); err == nil {
			f.Close()
			if path != "sys/huge" { // only its size is against it
				t.Errorf("%s was opened", path)
			}
		}
	}
	if s, err := tree.Text("sys/link/value"); err != nil || s != "42" {
		t.Errorf("through a link inside: %q %v", s, err)
	}
	if b, err := tree.Read("sys/full"); err != nil || len(b) != readCap {
		t.Errorf("a full file: %d bytes, %v", len(b), err)
	}
	if p, err := tree.Resolve("sys/link/value"); err != nil || p != "sys/a/value" {
		t.Errorf("resolved to %q, %v", p, err)
	}
	for _, bad := range []string{"sys/up/x", "sys/abs", "sys/loop", "sys/none"} {
		if p, err := tree.Resolve(bad); err == nil {
			t.Errorf("%s resolved to %s", bad, p)
		}
	}
	if l, err := tree.Link("sys/abs"); err != nil || l != outside {
		t.Errorf("link text %q %v", l, err)
	}
}

func TestTreeListsNumbersAsNumbers(t *testing.T) {
	tree := plant(t, files{"cpu/cpu10/": "", "cpu/cpu2/": "", "cpu/cpu0/": ""})
	got, err := tree.List("cpu")
	if want := []string{"cpu0", "cpu2", "cpu10"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v %v, want %v", got, err, want)
	}
	if _, err := tree.List("cpu/none"); Why(err).Reason != rig.Absent {
		t.Errorf("listing nothing: %v", err)
	}
}

func TestNotesGiveTheReasonOfTheCapture(t *testing.T) {
	tree := plant(t, files{
		"sys/real/": "", "sys/class": "-> real",
		notesFile: `{"unread":[{"path":"sys/real/secret","reason":"denied","detail":"needs CAP_DAC_READ_SEARCH"},{"path":"sys/real/gone/deep","reason":"refused","detail":"no such device"}]}`,
	})
	_, err := tree.Read("sys/class/secret")
	if got, want := Why(err), (rig.Unread{Reason: rig.Denied, Detail: "needs CAP_DAC_READ_SEARCH"}); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
	if names, _ := tree.List("sys/class"); !slices.Equal(names, []string{"gone", "secret"}) {
		t.Errorf("listed %v", names)
	}
	for _, bad := range []string{`{`, `{"unread":[{"path":"/etc","reason":"denied"}]}`, `{"unread":[{"path":"a","reason":"tired"}]}`} {
		dir := t.TempDir()
		files{notesFile: bad}.write(t, dir)
		if _, err := CapturedTree(dir); err == nil {
			t.Errorf("%s was taken", bad)
		}
	}
}

func TestWhyNamesTheReason(t *testing.T) {
	wrap := func(err error) error { return &os.PathError{Op: "read", Path: "sys/x", Err: err} }
	for _, c := range []struct {
		err  error
		want rig.Unread
	}{
		{wrap(syscall.ENOENT), rig.Unread{Reason: rig.Absent}},
		{wrap(syscall.EACCES), rig.Unread{Reason: rig.Denied, Detail: "needs CAP_DAC_READ_SEARCH"}},
		{&os.PathError{Path: "dev/cpu/0/msr", Err: syscall.EPERM}, rig.Unread{Reason: rig.Denied, Detail: "needs CAP_SYS_RAWIO"}},
		{wrap(syscall.ENXIO), rig.Unread{Reason: rig.Refused, Detail: syscall.ENXIO.Error()}},
		{wrap(syscall.EBUSY), rig.Unread{Reason: rig.Refused, Detail: syscall.EBUSY.Error()}},
		{wrap(syscall.EIO), rig.Unread{Reason: rig.Refused, Detail: syscall.EIO.Error()}},
		{errNoFiles, rig.Unread{Reason: rig.Refused, Detail: errNoFiles.Error()}},
		{nil, rig.Unread{}},
	} {
		if got := Why(c.err); got != c.want {
			t.Errorf("%v: %v, want %v", c.err, got, c.want)
		}
	}
}

func TestLiveTreeIsLive(t *testing.T) {
	tree, err := LiveTree()
	if err != nil {
		t.Fatal(err)
	}
	defer tree.Close()
	if !tree.Live() {
		t.Error("the live tree does not say so")
	}
	done := make(chan struct{})
	go func() { tree.Read("proc/stat"); close(done) }()
	select {
	case <-done:
	case <-time.After(30 * time.Second):
		t.Fatal("reading proc/stat never ended")
	}
}
