package main

import (
	"bufio"
	"fmt"
	"os"
	"time"
)

// frameLog writes one row a frame: its number from 1 on, its scene, and how long
// it took in milliseconds, exact to the nanosecond.
type frameLog struct {
	file *os.File
	out  *bufio.Writer
	rows int
	sum  time.Duration
}

func createLog(path string) (*frameLog, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	l := &frameLog{file: f, out: bufio.NewWriter(f)}
	_, err = fmt.Fprintln(l.out, "frame,scene,frame_ms")
	return l, err
}

func (l *frameLog) add(scene string, took time.Duration) error {
	l.rows++
	l.sum += took
	ns := took.Nanoseconds()
	_, err := fmt.Fprintf(l.out, "%d,%s,%d.%06d\n", l.rows, scene, ns/1e6, ns%1e6)
	return err
}

// close writes out what is buffered and closes the file, whichever fails.
func (l *frameLog) close() error {
	err := l.out.Flush()
	if e := l.file.Close(); err == nil {
		err = e
	}
	return err
}
