package fault

import (
	"errors"
	"fmt"
	"io/fs"
	"testing"

	"pgregory.net/rapid"
)

func TestErrorSaysWhatWhereWhy(t *testing.T) {
	cause := errors.New("no such file")
	e := New("read timing log", "orrery.csv", cause)
	if got := e.Error(); got != "read timing log: orrery.csv: no such file" {
		t.Error(got)
	}
	if got := New("list runs", "", cause).Error(); got != "list runs: no such file" {
		t.Error(got)
	}
	path := &fs.PathError{Op: "open", Path: "key.pem", Err: fs.ErrPermission}
	for where, want := range map[string]string{"key.pem": "read key: key.pem: permission denied", "state": "read key: state: open key.pem: permission denied"} {
		if got := New("read key", where, path).Error(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if e.WithHint("look"); e.Hint() != "" {
		t.Error("WithHint changed what it was called on")
	}
	if !errors.Is(e, cause) {
		t.Error("the cause is lost")
	}
}

func TestHintOfFindsTheFirst(t *testing.T) {
	inner := New("a", "", errors.New("b")).WithHint("inner")
	for _, c := range []struct {
		err  error
		want string
	}{
		{nil, ""},
		{errors.New("plain"), ""},
		{inner, "inner"},
		{fmt.Errorf("around: %w", inner), "inner"},
		{New("outer", "", inner), "inner"},
		{New("outer", "", inner).WithHint("outer"), "outer"},
		{errors.Join(errors.New("plain"), inner), "inner"},
	} {
		if got := HintOf(c.err); got != c.want {
			t.Errorf("%v: hint %q, want %q", c.err, got, c.want)
		}
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "log", 3}, {"colum", "column", 1}, {"nmae", "name", 1},
		{"kitten", "sitting", 3}, {"reslut", "result", 1}, {"ca", "abc", 3},
	} {
		if got := Distance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q takes %d edits, want %d", c.a, c.b, got, c.want)
		}
	}
	text := rapid.StringMatching(`[a-d]{0,8}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := text.Draw(t, "a"), text.Draw(t, "b")
		d := Distance(a, b)
		longer, shorter := max(len(a), len(b)), min(len(a), len(b))
		if d != Distance(b, a) || (d == 0) != (a == b) || d > longer || d < longer-shorter {
			t.Fatalf("%q to %q takes %d edits", a, b, d)
		}
	})
}
