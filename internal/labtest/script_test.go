package labtest_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// TestScriptsRunToTheirEnd: testscript's own stop and skip end a script in the middle
// as if it had passed, whatever a command of ours with that name was to do.
func TestScriptsRunToTheirEnd(t *testing.T) {
	scripts, err := filepath.Glob("../../*/testdata/*.txt")
	if err != nil || len(scripts) < 20 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	ends := regexp.MustCompile(`(?m)^(stop|skip)\b.*`)
	for _, name := range scripts {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if line := ends.Find(b); line != nil {
			t.Errorf("%s: %s", name, line)
		}
	}
}
