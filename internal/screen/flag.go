package screen

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// wantedWords say what a flag of a kind takes.
var wantedWords = map[string]string{
	"int": "a whole number", "int64": "a whole number", "uint": "a whole number", "uint64": "a whole number",
	"float64": "a number", "duration": "a time, such as 90s, 10m or 2h30m", "bool": "true or false",
}

// badFlag says in words of the trade what is wrong with a flag.
func badFlag(err error) string {
	var value *pflag.InvalidValueError
	var without *pflag.ValueRequiredError
	var unknown *pflag.NotExistError
	switch {
	case errors.As(err, &value):
		f := value.GetFlag()
		if want, ok := wantedWords[f.Value.Type()]; ok {
			return fmt.Sprintf("--%s %s: it takes %s", f.Name, value.GetValue(), want)
		}
		return fmt.Sprintf("--%s %s: %v", f.Name, value.GetValue(), value.Unwrap())
	case errors.As(err, &without):
		return fmt.Sprintf("--%s stands without its %s", without.GetFlag().Name, valueName(without.GetFlag()))
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() == "":
		return "unknown flag: --" + unknown.GetSpecifiedName()
	}
	return err.Error()
}

// valueName is what the help calls a flag's value: FILE, TIME.
func valueName(f *pflag.Flag) string {
	name, _ := pflag.UnquoteUsage(f)
	return name
}

// missingFlags tells which flags a command cannot do without.
func missingFlags(c *cobra.Command) error {
	var missing []string
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if a := f.Annotations[cobra.BashCompOneRequiredFlag]; len(a) > 0 && a[0] == "true" && !f.Changed {
			missing = append(missing, "--"+f.Name+" "+valueName(f))
		}
	})
	if len(missing) == 0 {
		return nil
	}
	return errors.New("it needs " + strings.Join(missing, " and "))
}

// emptyFlag refuses a flag that is given and holds nothing, as one does whose
// variable a script has not set: --root "" must not come to mean this machine.
func emptyFlag(c *cobra.Command) (err error) {
	c.Flags().Visit(func(f *pflag.Flag) {
		if err == nil && f.Value.Type() == "string" && f.Value.String() == "" {
			err = fmt.Errorf("--%s is empty: leave it out, or give its %s", f.Name, valueName(f))
		}
	})
	return err
}
