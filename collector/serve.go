package main

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
	"witnessmark/internal/service"
	"witnessmark/internal/setup"
)

func serveCommand(d *desk) *cobra.Command {
	var r rules
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Take deliveries from rigs and answer questions until stopped",
		Long: `Take deliveries from rigs and answer questions until stopped.

Prints the address it listens on as its one line of standard output, once it
does; everything else is logged on standard error. A port of 0 takes any free
one.

Whoever connects has to be a member: rigs, analysts and keepers join with a token
(see collector token --help), over TLS 1.3 with certificates on both ends. The
authority that certifies them is made on the first start, in authority.pem of the
archive's folder, unless --authority names one of the site.

With --config it goes by a file, in which deploy/collector.toml shows every key,
and reads it again at SIGHUP. SIGTERM ends it within five seconds: what was
acknowledged is kept, and the rest the rigs send again. A service manager that
asks to be told (NOTIFY_SOCKET, WATCHDOG_USEC) is.`,
		Example: "  collector serve\n  collector serve --listen 127.0.0.1:0 --data /srv/dome/archive\n  collector serve --config /etc/witnessmark/collector.toml",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return d.serve(cmd.Context(), &r) },
	}
	cmd.Flags().StringVar(&r.path, "config", "", "go by the `FILE`")
	cmd.Flags().StringVar(&r.listen, "listen", "", "`HOST:PORT` to listen on; without a host, on every network (default "+setup.DefaultListen+")")
	cmd.Flags().StringVar(&r.authority, "authority", "", "certify members with the site's own authority in `FILE` (PEM: its certificate and its key)")
	cmd.Flags().StringVar(&r.data, "data", "", "the archive's folder `DIR` (default: archive in the state folder)")
	return cmd
}

func (d *desk) serve(ctx context.Context, r *rules) error {
	if d.collector != "" {
		return screen.Misuse("leave --collector out; --listen says where to serve", "serve: it does not ask another collector")
	}
	begun, err := r.read()
	if err != nil {
		return screen.Wrong(err)
	}
	if begun.Data == "" {
		if r.data, err = d.folder(); err != nil {
			return err
		}
		begun.Data = r.data
	}
	r.begun = begun
	r.obey(begun)
	form := service.Form(begun.Log).On(d.stderr, os.Getenv)
	r.log = service.NewLog(d.stderr, form, &r.level)
	numbers := service.NewRegistry()
	err = service.Run(ctx, service.Options{
		Log: r.log, Getenv: os.Getenv, Metrics: service.Metrics{Address: begun.Metrics, Beyond: begun.MetricsAnywhere, From: numbers},
	}, func(ctx context.Context, daemon *service.Daemon) error {
		return collect.Serve(ctx, begun.Data, begun.Listen, r.log, func(address string) {
			r.log.Info("serving", "address", address, "archive", begun.Data)
			fmt.Fprintln(d.stdout, address)
		}, collect.WithAuthority(begun.Authority), collect.WithMetrics(numbers), collect.WithLimits(r.limits), collect.WithFloor(r.floor), collect.WithReflection(r.reflection), collect.WithDaemon(daemon, r.reloading()))
	})
	if service.Ended(r.log, form, err) {
		return screen.Exit(screen.Failed, nil)
	}
	return err
}
