//go:build linux

package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"golang.org/x/sys/unix"

	"witnessmark/internal/labtest/vrig/guest"
)

// channel is the control channel to the host.
type channel struct {
	port *os.File
	mu   sync.Mutex
}

func openChannel(path string) (*channel, error) {
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, err
	}
	return &channel{port: f}, raw(f)
}

func (c *channel) say(l guest.Line) {
	c.mu.Lock()
	defer c.mu.Unlock()
	fmt.Fprintln(c.port, l)
}

// serve answers the host's numbered lines until the rig ends.
func (c *channel) serve() {
	lines := bufio.NewScanner(c.port)
	for lines.Scan() {
		head, line, _ := strings.Cut(lines.Text(), " ")
		n, err := strconv.Atoi(head)
		if err != nil {
			continue
		}
		out, err := do(line)
		if err != nil {
			c.say(guest.Line{Number: n, Kind: guest.No, Text: err.Error()})
		} else {
			c.say(guest.Line{Number: n, Kind: guest.OK, Text: out})
		}
	}
}

// commands are the words of the control channel, with the number of arguments
// that each takes; the last argument may contain blanks.
var commands = map[string]struct {
	args int
	do   func(a []string) (string, error)
}{
	"cat":    {1, cat},     // FILE
	"ls":     {1, ls},      // PATTERN
	"put":    {2, put},     // FILE TEXT
	"mount":  {3, mount},   // KIND DEVICE FOLDER
	"signal": {1, signal},  // NUMBER, to the payload
	"insmod": {2, insmod},  // NAME PARAMETERS
	"ifup":   {3, ifup},    // INTERFACE ADDRESS MASK
	"relay":  {2, relay},   // HERE THERE, both HOST:PORT
	"cmos":   {2, cmos},    // INDEX BYTE
	"i2cb":   {4, i2cByte}, // BUS ADDRESS REGISTER BYTE
	"i2cw":   {4, i2cWord}, // BUS ADDRESS REGISTER WORD
}

// do carries out one line. Arguments that are left out are empty.
func do(line string) (string, error) {
	word, rest, _ := strings.Cut(line, " ")
	c, ok := commands[word]
	if !ok {
		return "", fmt.Errorf("no such command: %q", word)
	}
	a := make([]string, c.args)
	if rest != "" {
		copy(a, strings.SplitN(rest, " ", c.args))
	}
	return c.do(a)
}

func cat(a []string) (string, error) {
	b, err := os.ReadFile(a[0])
	return strings.TrimSpace(string(b)), err
}

func ls(a []string) (string, error) {
	m, err := filepath.Glob(a[0])
	return strings.Join(m, " "), err
}

func put(a []string) (string, error) {
	return "", os.WriteFile(a[0], []byte(a[1]+"\n"), 0o644)
}

// mount has a file system wherever it is told to. A device may show up only a
// moment after its driver was loaded.
func mount(a []string) (string, error) {
	if err := os.MkdirAll(a[2], 0o755); err != nil {
		return "", err
	}
	awaitFile(a[1])
	return "", unix.Mount(a[1], a[2], a[0], 0, "")
}

// payload is the process that the machine lives for, once it was started.
var payload atomic.Int64

func signal(a []string) (string, error) {
	n, err := numbers(a, 7)
	if err != nil {
		return "", err
	}
	pid := int(payload.Load())
	if pid == 0 {
		return "", errors.New("the payload has not been started")
	}
	return "", unix.Kill(pid, unix.Signal(n[0]))
}

func insmod(a []string) (string, error) {
	f, err := os.Open(filepath.Join(guest.ModulesDir, a[0]+".ko"))
	if err != nil {
		return "", err
	}
	defer f.Close()
	if err := unix.FinitModule(int(f.Fd()), a[1], 0); err != nil && !errors.Is(err, unix.EEXIST) {
		return "", fmt.Errorf("load module: %s: %w", a[0], err)
	}
	return "", nil
}

// numbers reads every argument as an unsigned number of at most so many bits.
func numbers(a []string, bits int) ([]int, error) {
	n := make([]int, len(a))
	for i, s := range a {
		v, err := strconv.ParseUint(s, 0, bits)
		if err != nil {
			return nil, err
		}
		n[i] = int(v)
	}
	return n, nil
}
