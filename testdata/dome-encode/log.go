package main

import (
	"bufio"
	"fmt"
	"os"
	"sync"
	"time"
)

// itemLog writes one row an item: when it was finished, in seconds since the
// start with a decimal comma, its number, and its encoded size. The first row is
// the start itself, so that n items give n durations.
type itemLog struct {
	mu    sync.Mutex
	file  *os.File
	out   *bufio.Writer
	start time.Time
	last  time.Duration
	items int
	bytes int64
	err   error
}

func createLog(path string) (*itemLog, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	l := &itemLog{file: f, out: bufio.NewWriter(f), start: time.Now()}
	fmt.Fprintln(l.out, "# dome-encode; rows in the order in which items were finished")
	fmt.Fprintln(l.out, "finished_s;item;bytes")
	l.row(0, 0, 0)
	return l, nil
}

// finished stamps an item; rows are stamped and written in one order.
func (l *itemLog) finished(item, size int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	// Two items that end within the clock's resolution are a nanosecond apart.
	l.last = max(time.Since(l.start), l.last+1)
	l.items++
	l.bytes += int64(size)
	l.row(l.last, item, size)
}

func (l *itemLog) row(at time.Duration, item, size int) {
	ns := at.Nanoseconds()
	if _, err := fmt.Fprintf(l.out, "%d,%09d;%d;%d\n", ns/1e9, ns%1e9, item, size); l.err == nil {
		l.err = err
	}
}

// close writes out what is buffered and gives the first error of all writing.
func (l *itemLog) close() error {
	if err := l.out.Flush(); l.err == nil {
		l.err = err
	}
	if err := l.file.Close(); l.err == nil {
		l.err = err
	}
	return l.err
}
