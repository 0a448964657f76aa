package figure

import (
	"os"
	"path/filepath"
	"testing"
)

// TestLook writes every kind of figure into the folder FIGURES, for a person to
// look at.
func TestLook(t *testing.T) {
	dir := os.Getenv("FIGURES")
	if dir == "" {
		t.Skip("FIGURES names no folder to write the figures to")
	}
	for _, s := range samples() {
		f, err := s.Figure()
		if err != nil {
			t.Fatal(err)
		}
		for _, form := range []Form{Wide, Narrow} {
			name := filepath.Join(dir, f.Name+"-"+form.String())
			if err := os.WriteFile(name+".svg", f.SVG(form), 0o666); err != nil {
				t.Fatal(err)
			}
			png, err := f.PNG(form, 110)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name+".png", png, 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
}
