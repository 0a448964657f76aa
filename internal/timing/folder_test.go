package timing

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestHintsOfAFolder: whoever wrote an agent file is told of no workload file and
// of no flag, whatever the values, and of each key that he may add.
func TestHintsOfAFolder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var cs []choice
		var file []string
		for range rapid.IntRange(1, 8).Draw(t, "choices") {
			c := choice{rapid.SampledFrom([]string{"column", "kind", "stamp_unit", "separator"}).Draw(t, "key"),
				rapid.SampledFrom([]string{"frame_ms", "cpu (ms)", "a, b", "\t", ";", "time%", "2", "duration"}).Draw(t, "value")}
			cs, file = append(cs, c), append(file, c.toml())
		}
		got := InFolder("if so, " + advise(cs...) + "; otherwise " + advise(cs...))
		want := "add " + oneOf(file) + " to [folder.log] in the agent file"
		if got != "if so, "+want+"; otherwise "+want {
			t.Errorf("%q", got)
		}
	})
	for _, hint := range refusedHints {
		if got := InFolder(hint); strings.Contains(got, "--log") || strings.Contains(got, "[log]") {
			t.Error(got)
		}
	}
	for _, log := range []string{"a,b\n1,2\n3,4\n5,6\n", "frame_ms,other_ms\n1,2\n3,4\n", "time\n1\n2\n3\n", "1,5\n2,5\n3,5\n", "x\n5\n6\n", "frame\n1\n2\n3\n4\n"} {
		_, err := ParseRun([]byte(log), Spec{}, 0)
		h, ok := err.(interface{ Hint() string })
		if !ok {
			continue
		}
		if got := InFolder(h.Hint()); strings.Contains(got, "--log") || strings.Contains(got, "[log]") || strings.Contains(got, "workload file") {
			t.Errorf("%q: %q", log, got)
		}
	}
}
