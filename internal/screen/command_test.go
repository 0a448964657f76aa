package screen

import (
	"bytes"
	"encoding/json"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestListIsWhatItHolds(t *testing.T) {
	type pair struct {
		A int    `json:"a"`
		B string `json:"b"`
	}
	for _, in := range [][]pair{{}, {{1, "<&>"}}, {{1, "x"}, {2, "y"}, {3, "\"z\""}}} {
		var b bytes.Buffer
		l := NewList(&b, "pairs")
		for _, p := range in {
			if err := l.Add(p); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.End(nil); err != nil {
			t.Fatal(err)
		}
		var got map[string][]pair
		if err := json.Unmarshal(b.Bytes(), &got); err != nil {
			t.Fatalf("%v in %s", err, b.String())
		}
		if diff := cmp.Diff(map[string][]pair{"pairs": in}, got); diff != "" {
			t.Error(diff)
		}
		var whole bytes.Buffer
		if err := JSON(&whole, map[string][]pair{"pairs": in}); err != nil || whole.String() != b.String() {
			t.Errorf("one by one\n%s\nat once\n%s", b.String(), whole.String())
		}
	}
}

func TestListStopsAtAnError(t *testing.T) {
	var b bytes.Buffer
	l := NewList(&b, "runs")
	broken := errors.New("broken")
	if err := l.End(broken); !errors.Is(err, broken) || b.Len() > 0 {
		t.Errorf("End gives %v and wrote %q", err, b.String())
	}
	l = NewList(&b, "runs")
	if err := l.Add(func() {}); err == nil {
		t.Error("a function was encoded")
	}
	if err := l.End(nil); err == nil || b.Len() > 0 {
		t.Errorf("End gives %v and wrote %q", err, b.String())
	}
}
