package vrig

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"sync"
	"time"

	"witnessmark/internal/labtest/vrig/guest"
)

// controlPatience is how long an answer may take once the guest listens.
const controlPatience = 5 * time.Minute

// control is this side of the control channel.
type control struct {
	up    chan struct{}   // closed when the guest listens
	ended <-chan struct{} // closed when the rig is off
	read  chan struct{}   // closed when nothing more comes from the guest

	mu      sync.Mutex
	conn    net.Conn
	last    int // number of the last request
	waiting map[int]chan guest.Line
	final   *guest.Line // the guest's last word
}

func newControl(ended <-chan struct{}) *control {
	return &control{up: make(chan struct{}), ended: ended, read: make(chan struct{}), waiting: map[int]chan guest.Line{}}
}

// serve takes the one connection that qemu makes and hands on what the guest says.
func (c *control) serve(l net.Listener) {
	defer close(c.read)
	conn, err := l.Accept()
	if err != nil {
		return
	}
	defer conn.Close()
	c.mu.Lock()
	c.conn = conn
	c.mu.Unlock()
	lines := bufio.NewReader(conn)
	for {
		s, err := lines.ReadString('\n')
		if err != nil {
			return
		}
		// Before PID 1 has the port, the firmware may have written something to it.
		if l, err := guest.ParseLine(s[:len(s)-1]); err == nil {
			c.take(l)
		}
	}
}

func (c *control) take(l guest.Line) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch l.Kind {
	case guest.Up:
		select {
		case <-c.up:
		default:
			close(c.up)
		}
	case guest.Exit, guest.Failed:
		c.final = &l
	default:
		if answer, ok := c.waiting[l.Number]; ok {
			answer <- l
			delete(c.waiting, l.Number)
		}
	}
}

// outcome is the payload's exit code, or why there was none; reported is false when
// the guest said neither. It is called when qemu has ended.
func (c *control) outcome() (code int, reported bool, err error) {
	<-c.read
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.final == nil {
		return 0, false, nil
	}
	if c.final.Kind == guest.Failed {
		return 0, true, fmt.Errorf("in the guest: %s", c.final.Text)
	}
	code, err = strconv.Atoi(c.final.Text)
	return code, true, err
}

// ask sends a line and returns the channel for its answer.
func (c *control) ask(line string) (<-chan guest.Line, error) {
	answer := make(chan guest.Line, 1)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.last++
	c.waiting[c.last] = answer
	_, err := io.WriteString(c.conn, strconv.Itoa(c.last)+" "+line+"\n")
	return answer, err
}

// Control has PID 1 of the guest carry out one line, such as "cat FILE", "ls PATTERN"
// or "put FILE TEXT", and returns what it answered. It waits until the guest has
// booted, and fails when the rig ends.
func (r *Rig) Control(line string) (string, error) {
	failed := func(err error) (string, error) { return "", fmt.Errorf("control: %s: %w", line, err) }
	select {
	case <-r.control.up:
	case <-r.ended:
		return failed(errors.New("the rig is off"))
	}
	answer, err := r.control.ask(line)
	if err != nil {
		return failed(err)
	}
	select {
	case l := <-answer:
		if l.Kind == guest.No {
			return failed(errors.New(l.Text))
		}
		return l.Text, nil
	case <-r.ended:
		return failed(errors.New("the rig went off"))
	case <-time.After(controlPatience):
		return failed(errors.New("no answer"))
	}
}
