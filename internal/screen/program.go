package screen

import (
	"regexp"
	"slices"
	"strings"
)

// prefix is what the names of both programs begin with. It is set when a package
// is linked, since /usr/bin is no place for a program called agent.
var prefix = ""

// Program gives the name under which the agent or the collector is called.
func Program(name string) string { return prefix + strings.TrimPrefix(name, prefix) }

// Called puts the programs' names for the words agent and collector where a text
// names a command: "list them with: agent trail", not "the agent keeps it".
func Called(text string) string { return calledBy(prefix, text) }

var (
	mention = regexp.MustCompile(`\b(agent|collector) [a-z]`)
	// leads are the words behind which a command is named; so it is behind a colon
	// or bracket, and at the start of an example's line.
	leads = []string{"as", "by", "see", "that", "where", "with"}
)

func calledBy(prefix, text string) string {
	if prefix == "" {
		return text
	}
	var out strings.Builder
	end := 0
	for _, m := range mention.FindAllStringIndex(text, -1) {
		if leadsToCommand(text[:m[0]]) {
			out.WriteString(text[end:m[0]] + prefix)
			end = m[0]
		}
	}
	return out.String() + text[end:]
}

func leadsToCommand(before string) bool {
	if before == "" || before == "  " || strings.HasSuffix(before, "\n  ") || strings.HasSuffix(before, "(") {
		return true
	}
	words := strings.Fields(before)
	if len(words) == 0 || !strings.ContainsAny(before[len(before)-1:], " \n") {
		return false
	}
	last := words[len(words)-1]
	return strings.HasSuffix(last, ":") || slices.Contains(leads, strings.TrimPrefix(last, "("))
}
