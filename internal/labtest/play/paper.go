package play

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// workloadFile makes up the file that an operator would have written for the
// workload, so that what the record carries is one.
func workloadFile(w setup.PlayedWorkload, s *setup.Scenario) (*setup.Workload, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "# Played: made up for the scenario %s; no such program ran.\n", strconv.Quote(filepath.Base(s.File)))
	fmt.Fprintf(&b, "name    = %s\n", strconv.Quote(w.Name))
	if w.Version != "" {
		fmt.Fprintf(&b, "version = %s\n", strconv.Quote(w.Version))
	}
	fmt.Fprintf(&b, "content = %q\n\n[settings]\nscenes = %q\n\n", w.Content, scenes(w))
	fmt.Fprintf(&b, "[log]\npath   = %q\ncolumn = \"frame_ms\"\nunit   = \"ms\"\nkind   = \"duration\"\n", logName)
	return setup.ParseWorkload("played.toml", []byte(b.String()))
}

// scenes puts a workload's content into words: "10 s of 8 ms, 15 s of 12.5 ms".
func scenes(w setup.PlayedWorkload) string {
	var parts []string
	for _, s := range w.Scenes {
		long := strconv.FormatFloat(s.Duration.Seconds(), 'f', -1, 64) + " s"
		if w.Content == setup.ByFrame {
			long = strconv.Itoa(s.Frames) + " frames"
		}
		parts = append(parts, long+" of "+strconv.FormatFloat(s.FrameMS, 'f', -1, 64)+" ms")
	}
	return strings.Join(parts, ", ")
}

// madeSetup makes up the setup of a block that only names one: the label, the
// rig, and the facts that the block sets, as whoever sets them on purpose would
// declare them.
func madeSetup(b *Block, s *setup.Scenario) (*setup.Setup, error) {
	if b.Setup == "" {
		return nil, nil
	}
	var t strings.Builder
	fmt.Fprintf(&t, "# Played: made up for the scenario %s; nobody declared it.\n", strconv.Quote(filepath.Base(s.File)))
	fmt.Fprintf(&t, "label = %s\nrig   = %s\n", strconv.Quote(b.Setup), strconv.Quote(b.Rig.Name))
	first := true
	for _, f := range b.Set {
		fact, ok := b.state.facts.Find(rig.Key(f.Key))
		if !ok || !fact.Read() || f.Unread != "" {
			continue
		}
		if first {
			t.WriteString("\n[expect]\n")
			first = false
		}
		value := fact.Value.String()
		switch fact.Value.Kind() {
		case rig.Text:
			value = strconv.Quote(value)
		case rig.Truth:
			yes, _ := fact.Value.Truth()
			value = strconv.FormatBool(yes)
		}
		fmt.Fprintf(&t, "%s = %s\n", strconv.Quote(f.Key), value)
	}
	set, err := setup.ParseSetup("played.toml", []byte(t.String()))
	if err != nil {
		return nil, s.Fault(b.Line, "give a setup_file, or leave setup out", "no setup can be made up for this block: %v", err)
	}
	return set, nil
}
