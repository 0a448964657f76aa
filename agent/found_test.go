package main

import (
	"regexp"

	"github.com/rogpeppe/go-internal/testscript"
)

// cmdFound takes what a pattern's group matches in what was last told.
func cmdFound(ts *testscript.TestScript, neg bool, args []string) {
	m := regexp.MustCompile(args[1]).FindStringSubmatch(ts.ReadFile("stderr"))
	if m == nil || neg {
		ts.Fatalf("%s is not there", args[1])
	}
	ts.Setenv(args[0], m[1])
}
