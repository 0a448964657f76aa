package guest

import "testing"

func TestLineThereAndBack(t *testing.T) {
	for _, l := range []Line{
		{Kind: Up},
		{Kind: Exit, Text: "3"},
		{Number: 7, Kind: OK},
		{Number: 7, Kind: OK, Text: "two\nlines \"quoted\""},
		{Number: 8, Kind: No, Text: "open /nowhere: no such file or directory"},
	} {
		got, err := ParseLine(l.String())
		if err != nil || got != l {
			t.Errorf("ParseLine(%q) = %+v, %v", l.String(), got, err)
		}
	}
}

func TestParseLineRefuses(t *testing.T) {
	for _, s := range []string{"7 ok unquoted", "7 ok \"open", "07 ok", "0 ok", "ok `raw`", `ok ""`} {
		if l, err := ParseLine(s); err == nil {
			t.Errorf("ParseLine(%q) = %+v, want an error", s, l)
		}
	}
}

// What is read is written again as the same bytes.
func FuzzParseLine(f *testing.F) {
	f.Add(`7 ok "96000"`)
	f.Add("up")
	f.Fuzz(func(t *testing.T, s string) {
		if l, err := ParseLine(s); err == nil && l.String() != s {
			t.Errorf("ParseLine(%q) reads %+v, which is written %q", s, l, l)
		}
	})
}
