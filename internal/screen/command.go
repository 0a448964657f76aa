package screen

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// StrictUsage makes a tree of commands tell every wrong call apart from a
// failure: unknown commands and flags, too few or too many arguments, missing
// flags are Usage errors with a hint. It also gives all of them one look of
// help. Nothing but Fail prints errors then. Call it once the tree is complete.
func StrictUsage(root *cobra.Command) {
	root.SilenceErrors, root.SilenceUsage = true, true
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetHelpTemplate(helpTemplate)
	root.PersistentFlags().BoolP("help", "h", false, "print this help")
	if root.Version != "" {
		root.Flags().Bool("version", false, "print the version")
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return Misuse(seeHelp(c), "%s: %s", c.Name(), badFlag(err))
	})
	strict(root)
}

func seeHelp(c *cobra.Command) string { return "see: " + c.CommandPath() + " --help" }

func strict(c *cobra.Command) {
	for _, sub := range c.Commands() {
		strict(sub)
	}
	check := c.Args
	if check == nil {
		check = cobra.NoArgs
	}
	c.SuggestionsMinimumDistance = 2
	c.DisableFlagsInUseLine = true // the word flags means findings here; they stand below
	c.Args = func(c *cobra.Command, args []string) error {
		if c.HasSubCommands() && len(args) > 0 && !strings.Contains(c.Use, " ") { // it takes nothing but commands
			return unknown(c, args[0])
		}
		err := check(c, args)
		if u := (Usage{}); errors.As(err, &u) {
			return err
		}
		if err != nil {
			err = errors.New(arity(c, args, err))
		} else if err = missingFlags(c); err == nil {
			err = cmp.Or(emptyFlag(c), c.ValidateFlagGroups())
		}
		if err != nil {
			return Misuse(seeHelp(c), "%s: %s", c.Name(), err)
		}
		return nil
	}
}

func unknown(c *cobra.Command, name string) error {
	next := seeHelp(c)
	if near := c.SuggestionsFor(name); len(near) > 0 {
		next = "the nearest is: " + c.CommandPath() + " " + near[0]
	}
	return Misuse(next, "unknown command %q", name)
}

// arity says in the words of the command's own line what came too many or too
// few.
func arity(c *cobra.Command, args []string, err error) string {
	_, want, _ := strings.Cut(c.Use, " ")
	switch {
	case len(args) > 0 && (want == "" || strings.HasPrefix(err.Error(), "unknown command")): // cobra.NoArgs says so
		return fmt.Sprintf("it takes no argument, and %q was given", args[0])
	case len(args) == 0:
		return "it needs " + want
	case strings.HasPrefix(err.Error(), "accepts"):
		return fmt.Sprintf("it takes %s, and %s were given", want, Count(len(args), "argument"))
	}
	return err.Error()
}

func init() { cobra.AddTemplateFunc("called", Called) }

const helpTemplate = `{{with or .Long .Short}}{{called . | trimTrailingWhitespaces}}

{{end}}  {{if .HasAvailableSubCommands}}{{.CommandPath}} COMMAND{{else}}{{.UseLine}}{{end}}
{{if .HasAvailableSubCommands}}
Commands:
{{range .Commands}}{{if .IsAvailableCommand}}  {{rpad .Name .NamePadding}}  {{.Short}}
{{end}}{{end}}{{end}}{{if .HasExample}}
For example:
{{called .Example}}
{{end}}{{if .HasAvailableLocalFlags}}
Flags:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}
{{end}}{{if .HasAvailableInheritedFlags}}
Flags of all commands:
{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}
{{end}}`

// JSON writes v, indented, with a line break at its end.
func JSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// List writes {"NAME":[…]}, one element after another, so that a long listing
// need not be held. An error before the first element leaves nothing written.
type List struct {
	w    io.Writer
	name string
	n    int
	err  error

	beside []besides
}

// NewList begins a list under a name.
func NewList(w io.Writer, name string) *List { return &List{w: w, name: name} }

// Add writes one element. After an error it does nothing; End tells it again.
func (l *List) Add(v any) error {
	if l.err != nil {
		return l.err
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("    ", "  ")
	if l.err = e.Encode(v); l.err == nil {
		l.write(l.begin() + "\n    " + strings.TrimSuffix(b.String(), "\n"))
		l.n++
	}
	return l.err
}

func (l *List) begin() string {
	if l.n > 0 {
		return ","
	}
	return fmt.Sprintf("{\n  %q: [", l.name)
}

func (l *List) write(s string) { _, l.err = io.WriteString(l.w, s) }

// Beside puts a value under a name of its own beside the list, which is closed.
func (l *List) Beside(name string, v any) { l.beside = append(l.beside, besides{name, v}) }

type besides struct {
	name  string
	value any
}

// End closes the list, unless err or an earlier error stopped it, which it
// returns.
func (l *List) End(err error) error {
	if err != nil {
		return err
	}
	if l.err != nil {
		return l.err
	}
	if l.n == 0 {
		l.write(l.begin() + "]")
	} else {
		l.write("\n  ]")
	}
	for _, b := range l.beside {
		j, err := json.MarshalIndent(b.value, "  ", "  ")
		if err != nil {
			return err
		}
		l.write(fmt.Sprintf(",\n  %q: %s", b.name, j))
	}
	l.write("\n}\n")
	return l.err
}
