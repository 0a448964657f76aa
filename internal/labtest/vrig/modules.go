package vrig

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
)

// moduleIndex says which modules a kernel has and what each needs, as depmod
// writes it down. Names are in the kernel's own form, with _ for -.
type moduleIndex struct {
	file    map[string]string   // name to path below lib/modules/VERSION
	needs   map[string][]string // name to paths, the last to be loaded first
	builtin map[string]bool
}

// moduleName gives the name of a module file or of a module as people write it.
func moduleName(s string) string {
	s, _, _ = strings.Cut(path.Base(s), ".ko")
	return strings.ReplaceAll(s, "-", "_")
}

// readModuleIndex reads modules.dep ("FILE: FILE..." a line) and modules.builtin
// ("FILE" a line).
func readModuleIndex(dep, builtin io.Reader) (moduleIndex, error) {
	x := moduleIndex{file: map[string]string{}, needs: map[string][]string{}, builtin: map[string]bool{}}
	lines := bufio.NewScanner(dep)
	for n := 1; lines.Scan(); n++ {
		file, needs, ok := strings.Cut(lines.Text(), ":")
		if !ok {
			return x, fmt.Errorf("modules.dep: line %d: no colon", n)
		}
		name := moduleName(file)
		x.file[name], x.needs[name] = file, strings.Fields(needs)
	}
	if err := lines.Err(); err != nil {
		return x, fmt.Errorf("modules.dep: %w", err)
	}
	lines = bufio.NewScanner(builtin)
	for lines.Scan() {
		x.builtin[moduleName(lines.Text())] = true
	}
	return x, lines.Err()
}

func openModuleIndex(dir string) (moduleIndex, error) {
	dep, err := os.ReadFile(filepath.Join(dir, "modules.dep"))
	if err != nil {
		return moduleIndex{}, err
	}
	builtin, err := os.ReadFile(filepath.Join(dir, "modules.builtin"))
	if err != nil {
		return moduleIndex{}, err
	}
	return readModuleIndex(bytes.NewReader(dep), bytes.NewReader(builtin))
}

// A module is one file to load, with its parameters.
type module struct{ name, file, parameters string }

// load turns lines "NAME PARAMETERS" into the files to load one after another,
// each after what it needs. What is built into the kernel needs none.
func (x moduleIndex) load(lines []string) ([]module, error) {
	var order []module
	seen := map[string]bool{}
	add := func(file, parameters string) {
		if name := moduleName(file); !seen[name] {
			seen[name] = true
			order = append(order, module{name, file, parameters})
		}
	}
	for _, line := range lines {
		word, parameters, _ := strings.Cut(line, " ")
		name := moduleName(word)
		file, ok := x.file[name]
		if !ok && x.builtin[name] {
			continue
		}
		if !ok {
			return nil, fmt.Errorf("kernel module: %s: this kernel has none of that name", word)
		}
		needs := x.needs[name]
		for i := len(needs) - 1; i >= 0; i-- {
			add(needs[i], "")
		}
		add(file, parameters)
	}
	return order, nil
}

// readModule gives a module's bytes, unpacked.
func (h host) readModule(file string) ([]byte, error) {
	p := filepath.Join(h.kernel.modules, file)
	switch {
	case strings.HasSuffix(p, ".ko"):
		return os.ReadFile(p)
	case strings.HasSuffix(p, ".ko.xz"):
		return exec.Command(h.xz, "--decompress", "--stdout", p).Output()
	}
	return nil, fmt.Errorf("kernel module: %s: packed in a way not known here", p)
}
