package figure

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// samplePage is a report of an invented comparison with every kind of part.
func samplePage(t testing.TB) Page {
	var drawn []Part
	for _, s := range samples() {
		f, err := s.Figure()
		if err != nil {
			t.Fatal(err)
		}
		drawn = append(drawn, Part{Figure: &f})
	}
	hash := strings.Repeat("9f86d081884c7d65", 4)
	var runs [][]string
	for i := range 10 {
		runs = append(runs, []string{fmt.Sprintf("20310302-0903%02d-k7q2m9x%d", i, i), "heron", "memory-default", "2031-03-02 09:03:12", "clean", hash, fmt.Sprintf("entry %d of the trail workshop.example/heron, kept 2031-03-02 09:05:10 UTC", 40+i)})
	}
	var facts [][]string
	for i := range 60 {
		facts = append(facts, []string{fmt.Sprintf("memory.module[CHANNEL_%c/DIMM%d].rated_speed", 'A'+i%8, i/8), "3200 MT/s", "3200 MT/s"})
	}
	return Page{
		Title:  "orrery 3: memory-rated against memory-default, on heron",
		Lead:   "not controlled: firmware.version is 1.08 on the base, 1.10 against it; memory.module[A1].rank is not known against it (denied)",
		Warn:   true,
		Played: "These runs were played from an invented scenario, not measured.",
		About:  []string{"Base: workload=orrery, setup=memory-default (5 runs). Against: workload=orrery, setup=memory-rated (5 runs)."},
		Sections: []Section{
			{Heading: "Verdict", Parts: []Part{
				{Verdict: &Verdict{"orrery 3", "different", "1.080 (1.072 to 1.087, 95 %)", []string{"The rate is 8.0 % higher with memory-rated; by at least the margin of 1 %.", "It is not said that the memory does it: the comparison is not controlled."}}},
				{Verdict: &Verdict{"dome-encode 1", "not resolved", "1.01 (0.98 to 1.04, 95 %)", []string{"23 runs on each side would resolve 1 %."}}},
				{Table: &Table{"Figures of orrery 3", []Column{{Name: "figure"}, {Name: "memory-default", Number: true}, {Name: "memory-rated", Number: true}, {Name: "ratio", Number: true}, {Name: "95 % interval", Number: true}},
					[][]string{{"mean rate, frames/s", "101.2", "109.2", "1.080", "1.072 to 1.087"}, {"p99, ms", "14.21", "12.05", "0.848", "0.842 to 0.855"}, {"p99.9, ms", "refused: too few frames"}}}},
			}},
			{Heading: "What was controlled", Lead: "not controlled: firmware.version", Warn: true, Parts: []Part{
				{Table: &Table{"Not controlled: differs and is no part of the factor", append(Columns("fact", "base", "against"), Column{Name: "why it matters", Prose: true}), [][]string{{"firmware.version", "1.08", "1.10", "a firmware changes memory timings and boost behaviour"}}}},
				{List: []string{"memory.speed is the factor: 2400 MT/s against 3200 MT/s.", "211 facts are equal on both sides."}},
			}},
			{Heading: "Figures", Parts: drawn},
			{Heading: "Configuration", Parts: []Part{
				{Table: &Table{"Facts that differ", Columns("fact", "base", "against"), [][]string{{"memory.speed", "2400 MT/s", "3200 MT/s"}, {"firmware.version", "1.08", "1.10"}}}},
				{More: &More{"All 60 facts", []Part{{Table: &Table{"All facts", Columns("fact", "base", "against"), facts}}}}},
			}},
			{Heading: "Method", Parts: []Part{{Text: "Ratio of mean rates by Welch's interval on the logarithms of the runs' rates (ratio.welch_log), level 95 %."}}},
			{Heading: "Runs and receipts", Parts: []Part{
				{Table: &Table{"Runs", []Column{{Name: "run", Code: true}, {Name: "rig"}, {Name: "setup"}, {Name: "started (UTC)"}, {Name: "standing"}, {Name: "record SHA-256", Code: true}, {Name: "receipt"}}, runs}},
				{More: &More{"Signed heads", []Part{{Pre: &Pre{"Signed head of the trail", "workshop.example/heron\n49\n" + hash + "\n\n— workshop.example/heron Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n"}}}}},
			}},
		},
		Made: time.Date(2031, 3, 4, 5, 6, 7, 0, time.UTC), By: "collector 0.1.0",
	}
}
