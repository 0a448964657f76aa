// Package service is how both daemons live beside what starts and watches them:
//
//	service.Run(ctx, service.Options{Log: log, Getenv: os.Getenv, Metrics: m},
//		func(ctx context.Context, d *service.Daemon) error {
//			// open, listen
//			d.Ready("serving on 127.0.0.1:7410", check, reload)
//			<-ctx.Done()
//			// let go
//		})
//
// The context ends at SIGTERM and SIGINT. SIGHUP calls reload; when that fails,
// what was in force stays and one line of the log says so. A service manager is
// told by the datagrams of sd_notify(3) when the daemon is ready, reloads and
// stops, and is pinged as long as check finds nothing wrong, so that it starts
// anew a daemon that no longer does its work. NewLog logs for the journal, for a
// person or as JSON, and Metrics serves /metrics.
//
// The package knows nothing of what the daemon does, writes no file and forks
// nothing.
package service
