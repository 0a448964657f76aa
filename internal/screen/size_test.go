package screen

import "testing"

func TestSize(t *testing.T) {
	for text, want := range map[string]Size{"512 MiB": 512 << 20, "2GiB": 2 << 30, "1 KiB": 1 << 10, "999999 TiB": 999999 << 40, "1536 KiB": 1536 << 10} {
		var s, again Size
		if err := s.Set(text); err != nil || s != want {
			t.Errorf("%s: %d, %v", text, s, err)
		}
		if err := again.Set(s.String()); err != nil || again != s {
			t.Errorf("%s is written as %s", text, s.String())
		}
	}
	for _, text := range []string{"", "12", "0 MiB", "-1 MiB", "1 MB", "1.5 GiB", "1000000 GiB", "2 GiB "} {
		var s Size
		if err := s.Set(text); err == nil {
			t.Errorf("%q is taken as %d", text, s)
		}
	}
}
