package main

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// workloadMain is a workload that does at once what a real one does by the way:
// it writes a timing log, prints figures, and ends in one way or another.
func workloadMain() {
	var (
		log    = flag.String("log", "", "write frames to this file")
		frames = flag.Int("frames", 300, "how many, of 5 ms and a little")
		from   = flag.String("from", "", "write this file's bytes instead")
		cut    = flag.Int("cut", 0, "leave out so many bytes at the end")
		junk   = flag.Int("junk", 0, "write so many bytes that are no text")
		more   = flag.Bool("append", false, "go on behind what the file holds")
		prints = flag.String("print", "", "print this line")
		sleep  = flag.Duration("sleep", 0, "take so long before the log is written")
		after  = flag.Duration("linger", 0, "take so long after it")
		deaf   = flag.Bool("deaf", false, "do not listen to interrupts")
		child  = flag.String("child", "", "start a child that does not listen and stays; write its process id to this file")
		began  = flag.String("began", "", "make this file at the start, with the process id in it")
		done   = flag.String("done", "", "make this file once the log is written")
		exit   = flag.Int("exit", 0, "end with this code")
		kill   = flag.Bool("kill", false, "end by a signal")
	)
	flag.Parse()
	if *deaf {
		signal.Ignore(os.Interrupt)
	}
	touch(*began)
	if *child != "" {
		startChild(*child)
	}
	time.Sleep(*sleep)
	if *log != "" {
		writeLog(*log, contents(*frames, *from, *cut, *junk), *more)
	}
	if *prints != "" {
		fmt.Println(*prints)
	}
	touch(*done)
	time.Sleep(*after)
	if *kill {
		self, _ := os.FindProcess(os.Getpid())
		self.Signal(syscall.SIGKILL)
		time.Sleep(time.Minute)
	}
	os.Exit(*exit)
}

func touch(path string) {
	if path != "" {
		check(os.WriteFile(path, []byte(strconv.Itoa(os.Getpid())), 0o666))
	}
}

func startChild(pidFile string) {
	self, err := os.Executable()
	check(err)
	cmd := exec.Command(self, "-deaf", "-sleep", "1m")
	cmd.Args[0] = os.Args[0]
	check(cmd.Start())
	check(os.WriteFile(pidFile, []byte(strconv.Itoa(cmd.Process.Pid)), 0o666))
}

func contents(frames int, from string, cut, junk int) []byte {
	var b []byte
	switch {
	case from != "":
		var err error
		b, err = os.ReadFile(from)
		check(err)
	case junk > 0:
		b = make([]byte, junk)
		for i := range b {
			b[i] = byte(i*7 + i>>8)
		}
	default:
		b = frameLog(frames)
	}
	return b[:len(b)-cut]
}

// frameLog is a timing log as a workload writes it: each frame of 5 ms and a few
// microseconds.
func frameLog(frames int) []byte {
	var s strings.Builder
	s.WriteString("frame,frame_ms,scene\n")
	for i := range frames {
		fmt.Fprintf(&s, "%d,5.%03d,approach\n", i, i*i%40)
	}
	return []byte(s.String())
}

func writeLog(path string, b []byte, more bool) {
	mode := os.O_TRUNC
	if more {
		mode = os.O_APPEND
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|mode, 0o666)
	check(err)
	_, err = f.Write(b)
	check(err)
	check(f.Close())
}

func check(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, "workload:", err)
		os.Exit(9)
	}
}
