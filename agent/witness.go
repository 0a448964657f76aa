package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/audit"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/vigil"
)

// witnessFlags say whose signatures runs wait for.
type witnessFlags struct {
	keys   []string
	need   int
	within time.Duration
}

func (w *witnessFlags) register(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringArrayVar(&w.keys, "witness", nil, "keep what was delivered in the spool until the witness with this `KEY` has signed a trail that has it; may be given more than once")
	f.IntVar(&w.need, "witnesses", 0, "let `N` of the --witness be enough (default: all); without --witness, 0 has no run wait any longer")
	f.DurationVar(&w.within, "witness-within", setup.DefaultWithin, "call witnesses overdue that have not signed after `TIME`")
}

// readDemand notes what the flags say; nothing when they say nothing.
func (s *session) readDemand(cmd *cobra.Command, w witnessFlags) error {
	if len(w.keys) == 0 && !cmd.Flags().Changed("witnesses") {
		return nil
	}
	switch {
	case len(w.keys) > 0 && cmd.Name() == "run" && s.destination() == spool.Embedded:
		return screen.Misuse("name the collector with --collector", "--witness: the archive on the rig itself has no witnesses")
	case w.need < 0 || w.need > len(w.keys):
		return screen.Misuse("give as many --witness, or ask for fewer", "--witnesses %d: %s named", w.need, screen.Count(len(w.keys), "witness key"))
	case w.within <= 0:
		return screen.Misuse("give a time above zero", "--witness-within %v", w.within)
	}
	d, err := audit.NewDemand(w.keys, w.need, w.within)
	if err != nil {
		return screen.Misuse(fault.HintOf(err), "%v", err)
	}
	s.demand = &d
	return nil
}

// witnessable refuses a demand of witnesses for an archive that has none.
func witnessable(p *vigil.Plan) error {
	if p.Demand == nil || p.Collector != "" {
		return nil
	}
	return fault.New("agent file", p.File, fmt.Errorf("[witness] is for a collector, and there is none")).
		WithHint("name the collector, or leave [witness] out: the archive on the rig itself has no witnesses")
}

// heldText says which witnesses a run waits for, or will once a collector has kept it.
func heldText(d *spool.Demand, h *spool.Held) string {
	of := func(d spool.Demand) string {
		return fmt.Sprintf("%d of %s", d.Need, screen.Many(len(d.Witnesses), "witness", "witnesses"))
	}
	switch {
	case h != nil:
		return fmt.Sprintf("kept as entry %d, waits for %s", h.Index, of(h.Demand))
	case d != nil && d.Need > 0:
		return "once kept, to wait for " + of(*d)
	}
	return ""
}

// printWitnesses lists how far witnesses had come when the trails were last met.
func (s *session) printWitnesses(rows []trailRow) error {
	t, any := screen.NewTable("witness", "of", "has signed", "on (UTC)", "behind"), false
	for _, r := range rows {
		for _, w := range r.Witnesses {
			any = true
			on, behind := "never", "-"
			if w.Size > 0 {
				on = screen.At(w.Signed)
			}
			if w.Size < r.Size {
				behind = screen.Many(int(r.Size-w.Size), "entry", "entries")
			}
			t.Row(w.Key, destinationText(r.Collector), fmt.Sprint(w.Size), on, behind)
		}
	}
	if !any {
		return nil
	}
	fmt.Fprintln(s.stdout)
	return t.Write(s.stdout)
}
