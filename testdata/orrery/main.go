// Orrery is a demonstration workload: it renders a fly-through of a mechanical
// model of a planetary system on the processor, in four scenes that load it
// differently, and logs how long each frame took. Its content follows the clock:
// a slower machine draws fewer frames of the same flight. The system is invented.
//
//	go build -o out/ . && ./out/orrery --seconds=20
//
// Usage:
//
//	--seconds N     length of the whole flight (default 20)
//	--log FILE      the timing log, CSV: frame,scene,frame_ms (default orrery.csv)
//	--width N       of a frame in pixels (default 320)
//	--height N      of a frame in pixels (default 180)
//	--threads N     that render (default: one for each processor)
//	--still FILE    write one frame as PNG to look at, and time nothing
//	--scene NAME    of the still (default overview)
//	--moment U      of the still: 0 begins its scene, 1 ends it (default 0.5)
//
// At the end it prints each scene's mean rate and the score, which is their
// geometric mean in frames per second. Interrupted, it closes the log with the
// last whole frame, prints no score, and exits 130 (SIGINT) or 143 (SIGTERM).
package main

import (
	"errors"
	"flag"
	"fmt"
	"image/png"
	"io"
	"math"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"syscall"
	"time"
)

func main() {
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr, stop))
}

type options struct {
	seconds                float64
	log, still, scene      string
	width, height, threads int
	moment                 float64
}

// run is the command; it returns the exit code.
func run(args []string, stdout, stderr io.Writer, stop <-chan os.Signal) int {
	o, err := parse(args, stderr)
	if errors.Is(err, flag.ErrHelp) {
		return 0
	}
	if err != nil {
		fmt.Fprintf(stderr, "orrery: %v\n", err)
		return 2
	}
	if o.still != "" {
		err = still(o)
	} else {
		err = flight(o, stdout, stop)
	}
	var cut interrupted
	switch {
	case errors.As(err, &cut):
		fmt.Fprintf(stderr, "orrery: %v\n", err)
		return 128 + int(cut.signal)
	case err != nil:
		fmt.Fprintf(stderr, "orrery: %v\n", err)
		return 1
	}
	return 0
}

func parse(args []string, stderr io.Writer) (options, error) {
	var o options
	f := flag.NewFlagSet("orrery", flag.ContinueOnError)
	f.SetOutput(stderr)
	f.Float64Var(&o.seconds, "seconds", 20, "length of the whole flight")
	f.StringVar(&o.log, "log", "orrery.csv", "`file` for the timing log")
	f.IntVar(&o.width, "width", 320, "of a frame in pixels")
	f.IntVar(&o.height, "height", 180, "of a frame in pixels")
	f.IntVar(&o.threads, "threads", runtime.GOMAXPROCS(0), "that render")
	f.StringVar(&o.still, "still", "", "write one frame as PNG to this `file`, and time nothing")
	f.StringVar(&o.scene, "scene", scenes[0].name, "of the still")
	f.Float64Var(&o.moment, "moment", 0.5, "of the still, from 0 to 1")
	if err := f.Parse(args); err != nil {
		return o, err
	}
	const largest = 1 << 14
	switch {
	case f.NArg() > 0:
		return o, fmt.Errorf("%q is not a flag", f.Arg(0))
	case !(o.seconds > 0 && o.seconds <= 86400):
		return o, fmt.Errorf("--seconds=%v: give more than 0 and at most 86400", o.seconds)
	case min(o.width, o.height) < 1 || max(o.width, o.height) > largest:
		return o, fmt.Errorf("--width=%d --height=%d: give 1 to %d pixels", o.width, o.height, largest)
	case o.threads < 1 || o.threads > 4096:
		return o, fmt.Errorf("--threads=%d: give 1 to 4096", o.threads)
	case !(o.moment >= 0 && o.moment <= 1):
		return o, fmt.Errorf("--moment=%v: give 0 to 1", o.moment)
	}
	return o, nil
}

// interrupted is returned when a signal ended the flight.
type interrupted struct {
	signal syscall.Signal
	frames int
}

func (i interrupted) Error() string {
	return fmt.Sprintf("%v after frame %d: the log is whole up to there, and there is no score", i.signal, i.frames)
}

// tally is what one scene came to.
type tally struct {
	frames int
	took   time.Duration
}

func (t tally) rate() float64 { return float64(t.frames) / t.took.Seconds() }

// flight renders the scenes one after the other, each for its share of the time,
// and logs every frame from the end of the one before it, so that the durations
// of the log add up to the time the flight took.
func flight(o options, stdout io.Writer, stop <-chan os.Signal) (err error) {
	log, err := createLog(o.log)
	if err != nil {
		return fmt.Errorf("create the timing log: %w", err)
	}
	tallies, err := fly(o, log, stop)
	if e := log.close(); e != nil {
		return fmt.Errorf("write the timing log: %w", e)
	}
	if err != nil {
		return err
	}
	return report(stdout, log, tallies)
}

func fly(o options, log *frameLog, stop <-chan os.Signal) ([]tally, error) {
	r := newRenderer(o.width, o.height, o.threads)
	share := time.Duration(o.seconds * float64(time.Second) / float64(len(scenes)))
	tallies := make([]tally, len(scenes))
	start := time.Now()
	last := time.Duration(0)
	for i, s := range scenes {
		begin := time.Duration(i) * share
		for last < begin+share || tallies[i].frames == 0 {
			r.draw(s, clamp(float64(last-begin)/float64(share), 0, 1))
			now := time.Since(start)
			took := now - last
			last = now
			tallies[i].frames++
			tallies[i].took += took
			if err := log.add(s.name, took); err != nil {
				return nil, fmt.Errorf("write the timing log: %w", err)
			}
			select {
			case sig := <-stop:
				number, _ := sig.(syscall.Signal)
				return nil, interrupted{number, log.rows}
			default:
			}
		}
	}
	return tallies, nil
}

func report(w io.Writer, log *frameLog, tallies []tally) error {
	logs := 0.0
	for i, t := range tallies {
		fmt.Fprintf(w, "%-10s %6d frames  %8.2f frames/s\n", scenes[i].name, t.frames, t.rate())
		logs += math.Log(t.rate())
	}
	ns := log.sum.Nanoseconds()
	fmt.Fprintf(w, "%d frames in %d.%09d s\n", log.rows, ns/1e9, ns%1e9)
	_, err := fmt.Fprintf(w, "score %.2f points\n", math.Exp(logs/float64(len(tallies))))
	return err
}

// still writes one frame for a person to look at.
func still(o options) error {
	i := slices.IndexFunc(scenes, func(s scene) bool { return s.name == o.scene })
	if i < 0 {
		return fmt.Errorf("--scene=%s: there is no such scene; the first is %s", o.scene, scenes[0].name)
	}
	r := newRenderer(o.width, o.height, o.threads)
	r.draw(scenes[i], o.moment)
	f, err := os.Create(o.still)
	if err != nil {
		return fmt.Errorf("write the still: %w", err)
	}
	err = png.Encode(f, r.frame)
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return fmt.Errorf("write the still: %w", err)
	}
	return nil
}
