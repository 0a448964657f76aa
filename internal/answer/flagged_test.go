package answer_test

import (
	"testing"

	"witnessmark/internal/answer"
)

// FuzzParsePlace: what parses has one spelling.
func FuzzParsePlace(f *testing.F) {
	for _, s := range []string{"412.3.97-5d41402abc4b2a76", "0.0.1-0000000000000000", "00.0.1-0000000000000000", "-1.0.0-", "1.1.1-5D41402abc4b2a76"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := answer.ParsePlace(s)
		if err == nil && (p.String() != s || p.Entry < 0 || p.Given < 0 || p.Finding < 0) {
			t.Errorf("%q is read as %v", s, p)
		}
	})
}
