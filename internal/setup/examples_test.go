package setup

import (
	"os"
	"path/filepath"
	"testing"
)

// The files that the repository offers as examples are read without an error.
func TestExampleFiles(t *testing.T) {
	for _, c := range []struct {
		pattern string
		least   int
		parse   func(name string, data []byte) error
	}{
		{"../../testdata/workloads/*.toml", 2, func(name string, data []byte) error {
			w, err := ParseWorkload(name, data)
			if err != nil {
				return err
			}
			return w.Validate()
		}},
		{"../../testdata/setups/*.toml", 3, func(name string, data []byte) error {
			_, err := ParseSetup(name, data)
			return err
		}},
	} {
		files, err := filepath.Glob(c.pattern)
		if err != nil || len(files) < c.least {
			t.Errorf("%d files at %s (%v)", len(files), c.pattern, err)
		}
		for _, name := range files {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if err := c.parse(name, data); err != nil {
				t.Error(err)
			}
		}
	}
}
