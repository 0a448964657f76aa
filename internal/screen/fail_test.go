package screen

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/spf13/cobra"

	"witnessmark/internal/fault"
)

func TestFail(t *testing.T) {
	lost := fault.New("show run", "k7q2m9xd", errors.New("two\nlines")).WithHint("look again")
	for _, c := range []struct {
		name string
		err  error
		code int
		out  string
	}{
		{"nil", nil, 0, ""},
		{"fault", lost, 1, "collector: show run: k7q2m9xd: two lines\nhint: look again\n"},
		{"wrapped", fmt.Errorf("again: %w", lost), 1, "collector: again: show run: k7q2m9xd: two lines\nhint: look again\n"},
		{"plain", errors.New("broken"), 1, "collector: broken\n"},
		{"usage", Misuse("see --help", "unknown command %q", "shw"), 2, "collector: unknown command \"shw\"\nhint: see --help\n"},
		{"said", Exit(Flagged, nil), 3, ""},
		{"coded", Exit(NotProved, lost), 4, "collector: show run: k7q2m9xd: two lines\nhint: look again\n"},
		{"stopped", fmt.Errorf("run: %w", context.Canceled), 130, ""},
		{"hostile", errors.New("\x1b[2J"), 1, "collector: \\x1b[2J\n"},
	} {
		var b bytes.Buffer
		if code := Fail(&b, "collector", c.err); code != c.code || b.String() != c.out {
			t.Errorf("%s: code %d, %q; want %d, %q", c.name, code, b.String(), c.code, c.out)
		}
	}
}

func TestStrictUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		out  string
	}{
		{[]string{"show", "k7q2m9xd", "--by", "me"}, 0, ""},
		{[]string{"shw"}, 2, "lab: unknown command \"shw\"\nhint: the nearest is: lab show\n"},
		{[]string{"frobnicate"}, 2, "lab: unknown command \"frobnicate\"\nhint: see: lab --help\n"},
		{[]string{"show"}, 2, "lab: show: it needs RUN\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "b", "--by", "me"}, 2, "lab: show: it takes RUN, and 2 arguments were given\nhint: see: lab show --help\n"},
		{[]string{"show", "a"}, 2, "lab: show: it needs --by NAME\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--by"}, 2, "lab: show: --by stands without its NAME\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--by", "me", "--limit", "few"}, 2, "lab: show: --limit few: it takes a whole number\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--by", "me", "--after", "5"}, 2, "lab: show: --after 5: it takes a time, such as 90s, 10m or 2h30m\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--by", "me", "--below=hot"}, 2, "lab: show: --below hot: it takes a number\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--by="}, 2, "lab: show: --by is empty: leave it out, or give its NAME\nhint: see: lab show --help\n"},
		{[]string{"show", "a", "--colour"}, 2, "lab: show: unknown flag: --colour\nhint: see: lab show --help\n"},
		{[]string{"list", "a"}, 2, "lab: list: it takes no argument, and \"a\" was given\nhint: see: lab list --help\n"},
	} {
		root := &cobra.Command{Use: "lab", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
		nothing := func(*cobra.Command, []string) error { return nil }
		show := &cobra.Command{Use: "show RUN", Args: cobra.ExactArgs(1), RunE: nothing}
		show.Flags().String("by", "", "who, as `NAME`")
		show.Flags().Int("limit", 0, "")
		show.Flags().Duration("after", 0, "")
		show.Flags().Float64("below", 0, "")
		show.MarkFlagRequired("by")
		root.AddCommand(show, &cobra.Command{Use: "list", RunE: nothing})
		StrictUsage(root)
		root.SetArgs(c.args)
		var out, errs bytes.Buffer
		root.SetOut(&out)
		root.SetErr(&errs)
		if code := Fail(&errs, "lab", root.Execute()); code != c.code || errs.String() != c.out || out.Len() > 0 {
			t.Errorf("%v: code %d, stderr %q, stdout %q; want %d, %q", c.args, code, errs.String(), out.String(), c.code, c.out)
		}
	}
}
