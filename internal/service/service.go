package service

import (
	"context"
	"log/slog"
	"os"
	"os/signal"
	"strconv"
	"sync"
	"syscall"
	"time"
)

// Options is what Run takes from the outside.
type Options struct {
	Log     *slog.Logger
	Getenv  func(string) string // NOTIFY_SOCKET, WATCHDOG_USEC, WATCHDOG_PID; nil for none of them
	Metrics Metrics
	Hangups <-chan os.Signal // nil: SIGHUP as the process receives it
}

// Daemon is what a daemon tells of itself while it runs.
type Daemon struct {
	log      *slog.Logger
	manager  *notifier
	metrics  string
	watchdog time.Duration // between signs of life that the manager wants; 0 when it wants none
	hangups  <-chan os.Signal
	ctx      context.Context
	stop     func() // ends ctx
	live     sync.WaitGroup
	ready    sync.Once
	mu       sync.Mutex // one word to the manager at a time
	status   string     // the last that was told
}

// Run calls serve with a context that ends when ctx does, and at SIGTERM and
// SIGINT. It returns what serve returns, once everything that it started is over.
func Run(ctx context.Context, o Options, serve func(context.Context, *Daemon) error) error {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	d := &Daemon{log: o.Log, ctx: ctx, stop: stop, hangups: o.Hangups}
	if o.Getenv != nil {
		d.meet(o.Getenv)
	}
	defer d.manager.close()
	if d.hangups == nil {
		c := make(chan os.Signal, 1)
		signal.Notify(c, syscall.SIGHUP)
		defer signal.Stop(c)
		d.hangups = c
	}
	l, err := o.Metrics.listen()
	if err != nil {
		return d.end(err)
	}
	if l != nil {
		d.metrics = l.Addr().String()
		d.log.Info("serving metrics", "address", d.metrics)
		d.live.Go(func() { o.Metrics.serve(ctx, l, d.log) })
	}
	d.live.Go(func() {
		<-ctx.Done()
		d.tell("STOPPING=1", statusLine("stopping"))
	})
	err = serve(ctx, d)
	stop()
	d.live.Wait()
	return d.end(err)
}

// meet finds out who started the daemon and what it wants to be told.
func (d *Daemon) meet(getenv func(string) string) {
	n, err := openNotifier(getenv("NOTIFY_SOCKET"))
	if err != nil {
		d.log.Warn("the service manager is not told", Fault(err)...)
	}
	d.manager = n
	if n != nil {
		d.watchdog = watchdogOf(getenv, os.Getpid())
	}
}

// watchdogOf gives the time within which the manager wants a sign of life from
// the process pid, as sd_watchdog_enabled(3) works it out; 0 when it wants none.
func watchdogOf(getenv func(string) string, pid int) time.Duration {
	if p := getenv("WATCHDOG_PID"); p != "" && p != strconv.Itoa(pid) {
		return 0
	}
	usec, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || usec <= 0 || usec > int64(24*time.Hour/time.Microsecond) {
		return 0
	}
	return time.Duration(usec) * time.Microsecond
}

// Metrics gives the address that metrics are served on, "" for none.
func (d *Daemon) Metrics() string { return d.metrics }

// Ready says that the daemon now does its work. From here on SIGHUP calls reload,
// never twice at once, and check is asked in the rhythm of the manager's watchdog
// whether the work goes on; its context ends when the answer would come too late.
// Both may be nil: without reload SIGHUP ends the daemon, as when the terminal that
// it was started from is closed. Only the first call counts.
func (d *Daemon) Ready(status string, check, reload func(context.Context) error) {
	d.ready.Do(func() {
		d.setStatus(status, "READY=1")
		d.live.Go(func() { d.obey(reload) })
		if d.watchdog > 0 {
			d.live.Go(func() { d.ping(check) })
		}
	})
}

// Status tells the manager in one line what the daemon is doing.
func (d *Daemon) Status(text string) { d.setStatus(text) }

func (d *Daemon) setStatus(text string, before ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.status = text
	d.send(append(before, statusLine(text))...)
}

// tellStatus tells the last status, with more behind it: so that the manager does not
// hear it after one that was set meanwhile, it is looked up while no other word is told.
func (d *Daemon) tellStatus(more string, before ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.send(append(before, statusLine(d.status+more))...)
}

func (d *Daemon) tell(assignments ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.send(assignments...)
}

func (d *Daemon) send(assignments ...string) {
	if err := d.manager.send(assignments...); err != nil {
		d.log.Warn("the service manager was not told", "what", assignments[0], "error", err)
	}
}

// obey reloads at every SIGHUP.
func (d *Daemon) obey(reload func(context.Context) error) {
	for {
		select {
		case <-d.ctx.Done():
			return
		case <-d.hangups:
			d.reload(reload)
		}
	}
}

func (d *Daemon) reload(reload func(context.Context) error) {
	if reload == nil {
		d.log.Info("hung up, and there is no file to read again")
		d.stop()
		return
	}
	d.tell("RELOADING=1", monotonicNow())
	err := reload(d.ctx)
	if d.ctx.Err() != nil {
		return
	}
	more := ""
	if err != nil {
		d.log.Error("not read again: what was in force stays", Fault(err)...)
		more = "; the file was not read again: " + err.Error()
	} else {
		d.log.Info("read again")
	}
	d.tellStatus(more, "READY=1")
}

// ping tells the manager that the daemon lives, twice in the time it grants, as
// long as check agrees. What check finds is logged when it changes.
func (d *Daemon) ping(check func(context.Context) error) {
	pace := d.watchdog / 2
	tick := time.NewTicker(pace)
	defer tick.Stop()
	ailing := ""
	for {
		err := d.examine(check, pace)
		switch {
		case d.ctx.Err() != nil:
			return
		case err == nil:
			d.tell("WATCHDOG=1")
			if ailing != "" {
				d.log.Info("well again", "after", ailing)
				d.tellStatus("")
			}
			ailing = ""
		case err.Error() != ailing:
			ailing = err.Error()
			d.log.Error("not well: the service manager gets no sign of life", Fault(err)...)
			d.tell(statusLine("not well: " + ailing))
		}
		select {
		case <-d.ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (d *Daemon) examine(check func(context.Context) error, within time.Duration) error {
	if check == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(d.ctx, within)
	defer cancel()
	return check(ctx)
}

// end tells the manager why the daemon ends, when it is for a fault.
func (d *Daemon) end(err error) error {
	if err != nil {
		d.tell(statusLine(err.Error()))
	}
	return err
}
