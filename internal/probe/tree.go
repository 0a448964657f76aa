package probe

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"runtime"
	"slices"
	"strings"
	"syscall"

	"witnessmark/internal/rig"
)

// readCap is how much of a file Read takes; kernel files of one value are far smaller.
const readCap = 64 << 10

// Errors that Why knows how to put into words.
var (
	errNotRegular = errors.New("not a regular file")
	errNotDir     = errors.New("not a directory")
	errTooLarge   = errors.New("larger than a kernel file of its kind")
	errEscapes    = errors.New("a link leads out of the tree")
	errLinks      = errors.New("too many symbolic links")
	errNoFiles    = errors.New("not read on " + runtime.GOOS + " yet")
	errCaptured   = errors.New("not in a captured tree")
)

// Tree is the file tree that facts are read from: the live machine's, or a
// captured tree of proc/ and sys/. Paths are slash-separated, without a leading
// slash: "sys/class/hwmon/hwmon0/name". Nothing outside its root is ever
// opened: an absolute or escaping symbolic link in a captured tree is an error.
// A Tree may be used by several goroutines at once.
type Tree struct {
	root  *os.Root // nil where the system has no such files
	live  bool
	notes notes  // what a captured tree says could not be read
	trace *trace // set while a tree is being captured
}

// LiveTree returns the running machine's tree. On systems without /proc and
// /sys every read of it is refused.
func LiveTree() (*Tree, error) {
	if runtime.GOOS != "linux" {
		return &Tree{live: true}, nil
	}
	root, err := os.OpenRoot("/")
	if err != nil {
		return nil, fmt.Errorf("open the live tree: %w", err)
	}
	return &Tree{root: root, live: true}, nil
}

// CapturedTree returns the tree captured in dir, with its notes if it has any.
func CapturedTree(dir string) (*Tree, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("open captured tree: %w", err)
	}
	t := &Tree{root: root}
	if err := t.readNotes(); err != nil {
		root.Close()
		return nil, fmt.Errorf("open captured tree %s: %w", dir, err)
	}
	return t, nil
}

// Close releases the root; files got from Open stay open.
func (t *Tree) Close() error {
	if t.root == nil {
		return nil
	}
	return t.root.Close()
}

// Live says whether t is the running machine, so that system calls about it
// may be asked besides its files.
func (t *Tree) Live() bool { return t.live }

// Read returns the content of a regular file of at most 64 KiB. It never
// blocks on a pipe and never opens a device.
func (t *Tree) Read(path string) ([]byte, error) { return t.ReadUpTo(path, readCap) }

// ReadUpTo is Read for files of at most n bytes. A longer file is an error, not
// a shorter reading.
func (t *Tree) ReadUpTo(path string, n int) ([]byte, error) {
	b, err := t.read(path, n)
	if t.trace != nil {
		t.trace.file(path, b, err)
	}
	return b, err
}

func (t *Tree) read(path string, n int) ([]byte, error) {
	f, err := t.open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, int64(n)+1))
	if err != nil {
		return nil, err
	}
	if len(b) > n {
		return nil, &fs.PathError{Op: "read", Path: path, Err: errTooLarge}
	}
	return b, nil
}

// Text is Read without surrounding blanks, line ends and zero bytes.
func (t *Tree) Text(path string) (string, error) {
	b, err := t.Read(path)
	return string(bytes.Trim(b, " \t\r\n\x00")), err
}

// Open opens a regular file to be kept open and read in place, over and over.
func (t *Tree) Open(path string) (*os.File, error) {
	f, err := t.open(path)
	if t.trace != nil {
		t.trace.opened(t, path, err)
	}
	return f, err
}

// open refuses before opening whatever is not a regular file, and opens without
// blocking, in case the name has come to mean something else by then.
func (t *Tree) open(path string) (*os.File, error) {
	if err := t.noted(path); err != nil {
		return nil, err
	}
	i, err := t.root.Stat(path)
	if err != nil {
		return nil, err
	}
	if !i.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: errNotRegular}
	}
	f, err := t.root.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	if i, err := f.Stat(); err != nil || !i.Mode().IsRegular() {
		f.Close()
		return nil, cmpErr(err, &fs.PathError{Op: "open", Path: path, Err: errNotRegular})
	}
	return f, nil
}

// List returns the names in a directory, numbers in them ordered as numbers.
func (t *Tree) List(dir string) ([]string, error) {
	names, err := t.list(dir)
	if t.trace != nil {
		t.trace.listed(dir, names, err)
	}
	return names, err
}

func (t *Tree) list(dir string) ([]string, error) {
	if err := t.noted(dir); err != nil {
		return nil, err
	}
	i, err := t.root.Stat(dir)
	if err != nil {
		return nil, err
	}
	if !i.IsDir() {
		return nil, &fs.PathError{Op: "list", Path: dir, Err: errNotDir}
	}
	f, err := t.root.Open(dir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	names, err := f.Readdirnames(-1)
	if err != nil {
		return nil, err
	}
	names = append(names, t.notes.in(t, dir)...)
	slices.SortFunc(names, func(a, b string) int { return rig.Compare(rig.Key(a), rig.Key(b)) })
	return slices.Compact(names), nil
}

// Link returns the text of a symbolic link.
func (t *Tree) Link(path string) (string, error) {
	if t.root == nil {
		return "", errNoFiles
	}
	s, err := t.root.Readlink(path)
	if t.trace != nil && err == nil {
		t.trace.walked(path)
	}
	return s, err
}

// Resolve returns path with all symbolic links in it resolved. What it names
// must exist, inside the root.
func (t *Tree) Resolve(path string) (string, error) {
	p, err := t.resolve(path, nil)
	if err != nil {
		return "", err
	}
	if _, err := t.root.Lstat(p); err != nil {
		return "", err
	}
	if t.trace != nil {
		t.trace.walked(path)
	}
	return p, nil
}

// Ask gives what a question to the kernel that no file answers was answered
// with: on the live machine now, in a captured tree at the capture. Its errors
// say so where the tree does not hold the answer.
func (t *Tree) Ask(question string, live func() (string, error)) (string, error) {
	file := askedDir + "/" + question
	if !t.live {
		text, err := t.Text(file)
		if errors.Is(err, fs.ErrNotExist) {
			err = errCaptured
		}
		return text, err
	}
	text, err := live()
	if t.trace != nil {
		t.trace.file(file, []byte(text), err)
	}
	return text, err
}

// askedDir is where a captured tree keeps the answers to Ask.
const askedDir = "asked"

// resolve follows the links on the way to name and, if all of them stay inside,
// tells each to visit. Parts that do not exist are taken as they are spelt.
func (t *Tree) resolve(name string, visit func(link, text string)) (string, error) {
	if t.root == nil {
		return "", errNoFiles
	}
	type link struct{ at, text string }
	var met []link
	done, todo := ".", path.Clean(name)
	for links := 0; todo != "" && todo != "."; {
		part, rest, _ := strings.Cut(todo, "/")
		todo = rest
		here := path.Join(done, part)
		if !fs.ValidPath(here) {
			return "", &fs.PathError{Op: "resolve", Path: name, Err: errEscapes}
		}
		text, err := t.root.Readlink(here)
		if err != nil { // no link, or not there
			done = here
			continue
		}
		if links++; links > 40 {
			return "", &fs.PathError{Op: "resolve", Path: name, Err: errLinks}
		}
		if path.IsAbs(text) {
			return "", &fs.PathError{Op: "resolve", Path: name, Err: errEscapes}
		}
		met = append(met, link{here, text})
		todo = joinTail(text, rest)
	}
	for _, l := range met {
		if visit != nil {
			visit(l.at, l.text)
		}
	}
	return done, nil
}

func joinTail(text, rest string) string {
	if rest == "" {
		return text
	}
	return text + "/" + rest
}

func cmpErr(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
