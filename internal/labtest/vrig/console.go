package vrig

import (
	"io"
	"strings"
	"sync"
)

// console keeps what the first serial port printed.
type console struct {
	mu     sync.Mutex
	text   strings.Builder
	copy   io.Writer     // may be nil
	growth chan struct{} // closed at the next write
}

func newConsole(copy io.Writer) *console {
	return &console{copy: copy, growth: make(chan struct{})}
}

// Write keeps p without carriage returns. A copy that fails is given up: the rig
// goes on.
func (c *console) Write(p []byte) (int, error) {
	clean := strings.ReplaceAll(string(p), "\r", "")
	c.mu.Lock()
	defer c.mu.Unlock()
	c.text.WriteString(clean)
	if c.copy != nil {
		if _, err := io.WriteString(c.copy, clean); err != nil {
			c.copy = nil
		}
	}
	close(c.growth)
	c.growth = make(chan struct{})
	return len(p), nil
}

func (c *console) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.text.String()
}

// grown is closed at the next write.
func (c *console) grown() <-chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.growth
}

// tail is the end of the console that a person would look at.
func (c *console) tail() string {
	const long = 2000
	s := c.String()
	return s[max(0, len(s)-long):]
}
