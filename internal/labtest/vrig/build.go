package vrig

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
)

const commandsPath = "witnessmark/internal/labtest/vrig/"

// Build compiles main packages of this module, by import path, as static programs
// for the guest, each to a file of its own name in dir.
func Build(dir string, packages ...string) error {
	return build(dir, []string{"GOOS=linux", "GOARCH=amd64"}, packages...)
}

func build(dir string, env []string, packages ...string) error {
	args := append([]string{"build", "-trimpath", "-buildvcs=false", "-ldflags=-s -w", "-o", dir + string(filepath.Separator)}, packages...)
	cmd := exec.Command("go", args...)
	cmd.Env = append(append(os.Environ(), "CGO_ENABLED=0"), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build static: %v: %w\n%s", packages, err, out)
	}
	return nil
}

// tools are the programs that every boot needs, as bytes: vinit runs in the guest,
// relay on this side.
type tools struct{ vinit, relay []byte }

var buildTools = sync.OnceValues(func() (t tools, err error) {
	dir, err := os.MkdirTemp("", "vrig-tools-")
	if err != nil {
		return t, err
	}
	defer os.RemoveAll(dir)
	if err := errors.Join(Build(dir, commandsPath+"vinit"), build(dir, nil, commandsPath+"relay")); err != nil {
		return t, err
	}
	if t.vinit, err = os.ReadFile(filepath.Join(dir, "vinit")); err != nil {
		return t, err
	}
	t.relay, err = os.ReadFile(filepath.Join(dir, "relay"))
	return t, err
})
