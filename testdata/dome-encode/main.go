// Dome-encode is a demonstration workload: it encodes a batch of frames for a
// dome projection as PNG, several at a time, and logs when each was finished. Its
// content follows the frames: every machine encodes the same ones, and a slower
// one takes longer. The sky is invented.
//
//	go build -o out/ . && ./out/dome-encode --frames=600
//
// Usage:
//
//	--frames N     to encode (default 600)
//	--size N       of the square frame in pixels (default 128)
//	--threads N    that encode (default: one for each processor)
//	--log FILE     time stamps: finished_s;item;bytes, with decimal commas
//	               (default dome-encode.csv)
//	--keep DIR     also write the encoded frames into this folder
//
// At the end it prints the time it took and the bits a pixel needs. Interrupted,
// it finishes the frames in hand, closes the log, prints no result, and exits 130
// (SIGINT) or 143 (SIGTERM).
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
)

func main() {
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr, stop))
}

type options struct {
	frames, size, threads int
	log, keep             string
}

// run is the command; it returns the exit code.
func run(args []string, stdout, stderr io.Writer, stop <-chan os.Signal) int {
	o, err := parse(args, stderr)
	if errors.Is(err, flag.ErrHelp) {
		return 0
	}
	if err != nil {
		fmt.Fprintf(stderr, "dome-encode: %v\n", err)
		return 2
	}
	err = batch(o, stdout, stop)
	var cut interrupted
	switch {
	case errors.As(err, &cut):
		fmt.Fprintf(stderr, "dome-encode: %v\n", err)
		return 128 + int(cut.signal)
	case err != nil:
		fmt.Fprintf(stderr, "dome-encode: %v\n", err)
		return 1
	}
	return 0
}

func parse(args []string, stderr io.Writer) (options, error) {
	var o options
	f := flag.NewFlagSet("dome-encode", flag.ContinueOnError)
	f.SetOutput(stderr)
	f.IntVar(&o.frames, "frames", 600, "to encode")
	f.IntVar(&o.size, "size", 128, "of the square frame in pixels")
	f.IntVar(&o.threads, "threads", runtime.GOMAXPROCS(0), "that encode")
	f.StringVar(&o.log, "log", "dome-encode.csv", "`file` for the time stamps")
	f.StringVar(&o.keep, "keep", "", "also write the encoded frames into this `folder`")
	if err := f.Parse(args); err != nil {
		return o, err
	}
	switch {
	case f.NArg() > 0:
		return o, fmt.Errorf("%q is not a flag", f.Arg(0))
	case o.frames < 1 || o.frames > 1_000_000:
		return o, fmt.Errorf("--frames=%d: give 1 to 1000000", o.frames)
	case o.size < 1 || o.size > 1<<13:
		return o, fmt.Errorf("--size=%d: give 1 to %d pixels", o.size, 1<<13)
	case o.threads < 1 || o.threads > 4096:
		return o, fmt.Errorf("--threads=%d: give 1 to 4096", o.threads)
	}
	return o, nil
}

// interrupted is returned when a signal ended the batch.
type interrupted struct {
	signal syscall.Signal
	items  int
}

func (i interrupted) Error() string {
	return fmt.Sprintf("%v after %d frames: the log is whole up to there, and there is no result", i.signal, i.items)
}

func batch(o options, stdout io.Writer, stop <-chan os.Signal) error {
	log, err := createLog(o.log)
	if err != nil {
		return fmt.Errorf("create the log: %w", err)
	}
	cut, err := encodeAll(o, log, stop)
	if e := log.close(); e != nil && err == nil {
		err = fmt.Errorf("write the log: %w", e)
	}
	if err != nil {
		return err
	}
	if cut != nil {
		number, _ := cut.(syscall.Signal)
		return interrupted{number, log.items}
	}
	ns := log.last.Nanoseconds()
	fmt.Fprintf(stdout, "%d frames of %d x %d pixels, %d bytes\n", log.items, o.size, o.size, log.bytes)
	fmt.Fprintf(stdout, "density %.3f bits a pixel\n", 8*float64(log.bytes)/float64(log.items)/float64(o.size*o.size))
	_, err = fmt.Fprintf(stdout, "took %d.%09d s\n", ns/1e9, ns%1e9)
	return err
}

// encodeAll hands the frames to the threads in order. It stops handing out at a
// signal, which it returns, or at an error.
func encodeAll(o options, log *itemLog, stop <-chan os.Signal) (cut os.Signal, err error) {
	var next atomic.Int64
	var halt atomic.Bool
	failed := make(chan error, o.threads)
	var wait sync.WaitGroup
	for range o.threads {
		wait.Go(func() {
			e := newEncoder(o)
			for !halt.Load() {
				item := int(next.Add(1))
				if item > o.frames {
					return
				}
				size, err := e.encode(item)
				if err != nil {
					halt.Store(true)
					failed <- err
					return
				}
				log.finished(item, size)
			}
		})
	}
	done := make(chan struct{})
	go func() { wait.Wait(); close(done) }()
	select {
	case cut = <-stop:
		halt.Store(true)
		<-done
	case <-done:
	}
	select {
	case err = <-failed:
	default:
	}
	return cut, err
}

// encoder is what one thread needs: a frame to paint and a place to encode to.
type encoder struct {
	frame *image.RGBA
	png   png.Encoder
	out   bytes.Buffer
	keep  string
}

func newEncoder(o options) *encoder {
	return &encoder{
		frame: image.NewRGBA(image.Rect(0, 0, o.size, o.size)),
		png:   png.Encoder{CompressionLevel: png.DefaultCompression},
		keep:  o.keep,
	}
}

// encode paints and encodes one frame and gives its encoded size in bytes.
func (e *encoder) encode(item int) (size int, err error) {
	paintSky(e.frame, item)
	e.out.Reset()
	if err := e.png.Encode(&e.out, e.frame); err != nil {
		return 0, fmt.Errorf("encode frame %d: %w", item, err)
	}
	if e.keep != "" {
		name := filepath.Join(e.keep, fmt.Sprintf("dome-%06d.png", item))
		if err := os.WriteFile(name, e.out.Bytes(), 0o644); err != nil {
			return 0, fmt.Errorf("keep frame %d: %w", item, err)
		}
	}
	return e.out.Len(), nil
}
