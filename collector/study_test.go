package main

import (
	"context"
	"path/filepath"

	"github.com/rogpeppe/go-internal/testscript"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/sim"
)

// A study of memory speed on the invented rig heron, made in the order of the
// blocks. Its firmware is updated before the last one, and nobody declares the
// memory in the one before that.
var study = []struct {
	workload string
	runs     int
	state    func() sim.State
}{
	{"orrery", 3, rated}, {"orrery", 3, low}, {"orrery", 3, low}, {"orrery", 3, rated},
	{"dome-encode", 3, rated}, {"dome-encode", 3, low}, {"dome-encode", 1, rated},
	{"orrery", 1, undeclared}, {"orrery", 2, updated},
}

func rated() sim.State { return sim.Rated }
func low() sim.State   { return sim.Default }

func undeclared() sim.State {
	s := sim.Default
	s.Setup = ""
	return s
}

func updated() sim.State {
	s := sim.Rated
	s.Setup, s.Facts = "updated", map[string]any{"firmware.version": "1.10"}
	return s
}

// cmdStudy delivers the study to the archive in a state folder. The ids of its
// runs come from a seed and are the same every time.
func cmdStudy(ts *testscript.TestScript, _ bool, args []string) {
	ts.Check(deliverStudy(context.Background(), ts.MkAbs(args[0])))
}

func deliverStudy(ctx context.Context, state string) error {
	conn, err := collect.Embedded(ctx, filepath.Join(state, "archive"), labtest.Quiet())
	if err != nil {
		return err
	}
	defer conn.Close()
	r := labtest.Seeded(2031)
	bench, key := sim.NewBench("heron", r), labtest.NewRig("heron", r)
	for _, b := range study {
		w := sim.Orrery()
		if w.Name = b.workload; w.Name != "orrery" {
			w.Version, w.Content, w.LeadIn, w.Scenes = "1", "frame", 0, w.Scenes[:2]
		}
		for _, run := range bench.Runs(w, b.runs, b.state()) {
			rec, data := sim.Record(run)
			signed := key.Sign(rec, data)
			if _, err := deliver.Send(ctx, conn, signed.Signed, signed.Parts()); err != nil {
				return err
			}
		}
	}
	return nil
}
