// Command mktrees writes the captured trees of invented rigs.
//
//	mktrees -o DIR
//
// Each tree of trees.All is removed from DIR and written anew, with a note that
// says where it came from. Other things in DIR are left alone.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"witnessmark/internal/labtest/trees"
)

func main() {
	out := flag.String("o", "", "directory to write the trees to")
	flag.Parse()
	if err := run(*out); err != nil {
		fmt.Fprintln(os.Stderr, "mktrees:", err)
		os.Exit(1)
	}
}

func run(out string) error {
	if out == "" {
		return fmt.Errorf("no directory given: use -o DIR")
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(out, "README.md"), []byte(trees.Readme()), 0o644); err != nil {
		return err
	}
	for _, r := range trees.All() {
		dir := filepath.Join(out, r.Dir)
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
		if err := trees.Write(dir, r.Rig); err != nil {
			return err
		}
	}
	return nil
}
