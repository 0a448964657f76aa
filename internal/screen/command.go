package screen

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// Execute runs a tree of commands and gives the exit code. Whatever is wrong
// with the words of the call is a Usage; errors are printed here and nowhere
// else.
func Execute(ctx context.Context, root *cobra.Command, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SilenceErrors, root.SilenceUsage = true, true
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return Misuse(seeHelp(c), "%s: %s", c.Name(), err)
	})
	groups(root)
	strict(root)
	err := root.ExecuteContext(ctx)
	if err != nil && errors.Is(err, context.Canceled) && ctx.Err() != nil {
		err = context.Canceled
	}
	return Fail(stderr, root.Name(), err)
}

func seeHelp(c *cobra.Command) string { return "see: " + c.CommandPath() + " --help" }

// groups makes a command that only holds others say so instead of doing nothing.
func groups(c *cobra.Command) {
	for _, sub := range c.Commands() {
		groups(sub)
	}
	if !c.HasSubCommands() || c.Runnable() {
		return
	}
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		next := seeHelp(c)
		if near := c.SuggestionsFor(args[0]); len(near) > 0 {
			next = "the nearest is: " + c.CommandPath() + " " + near[0]
		}
		return Misuse(next, "unknown command %q", args[0])
	}
	c.RunE = func(c *cobra.Command, _ []string) error {
		c.SetOut(c.ErrOrStderr())
		if err := c.Help(); err != nil {
			return err
		}
		return Exit(WrongUsage, nil)
	}
	c.SuggestionsMinimumDistance = 2
}

// strict turns what is wrong with arguments into a Usage.
func strict(c *cobra.Command) {
	for _, sub := range c.Commands() {
		strict(sub)
	}
	check := c.Args
	if check == nil {
		check = cobra.NoArgs
	}
	c.Args = func(c *cobra.Command, args []string) error {
		err := check(c, args)
		var u Usage
		if err == nil || errors.As(err, &u) {
			return err
		}
		return Misuse(seeHelp(c), "%s: %s", c.Name(), arity(c, args, err))
	}
}

// arity says in terms of the command's own line what came too many or too few.
func arity(c *cobra.Command, args []string, err error) string {
	_, want, _ := strings.Cut(c.Use, " ")
	want = strings.TrimSpace(strings.ReplaceAll(want, "[flags]", ""))
	switch {
	case want == "" && len(args) > 0:
		return fmt.Sprintf("it takes no argument, and %q was given", args[0])
	case len(args) == 0:
		return "it needs " + want
	case strings.HasPrefix(err.Error(), "accepts"):
		return fmt.Sprintf("it takes %s, and %s were given", want, Count(len(args), "argument"))
	}
	return err.Error()
}

// JSON writes v, indented, with a line break at its end.
func JSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
