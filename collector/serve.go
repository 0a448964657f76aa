package main

import (
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/screen"
)

func serveCommand(d *desk) *cobra.Command {
	var listen, data string
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Take deliveries from rigs and answer questions until stopped",
		Long: `Take deliveries from rigs and answer questions until stopped.

Prints the address it listens on as its one line of standard output, once it
does; everything else goes to standard error. A port of 0 takes any free one.
Deliveries are not encrypted yet, so it listens on loopback addresses only.`,
		Example: "  collector serve\n  collector serve --listen 127.0.0.1:0 --data /srv/dome/archive",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if d.collector != "" {
				return screen.Misuse("leave --collector out; --listen says where to serve", "serve: it does not ask another collector")
			}
			if data == "" {
				dir, err := d.folder()
				if err != nil {
					return err
				}
				data = dir
			}
			log := slog.New(slog.NewTextHandler(d.stderr, nil))
			return collect.Serve(cmd.Context(), data, listen, log, func(address string) {
				log.Info("serving", "address", address, "archive", data)
				fmt.Fprintln(d.stdout, address)
			})
		},
	}
	cmd.Flags().StringVar(&listen, "listen", "127.0.0.1:7410", "loopback `HOST:PORT` to listen on")
	cmd.Flags().StringVar(&data, "data", "", "the archive's folder `DIR` (default: archive in the state folder)")
	return cmd
}
