package vrig

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"

	"witnessmark/internal/labtest/vrig/guest"
)

// initramfs is the guest's whole file tree: PID 1, its plan, the modules, the
// payload and the files that were asked for.
func (h host) initramfs(c Config, vinit []byte) ([]byte, error) {
	modules, err := h.modulesToLoad(c.modules())
	if err != nil {
		return nil, err
	}
	seed := make([]byte, 32)
	rand.Read(seed)
	plan := guest.Plan{
		Seed:  seed,
		Setup: c.setup(modules),
		Path:  "/bin/" + filepath.Base(c.Payload),
		Args:  c.Args,
		Env:   c.environment(),
	}
	planJSON, err := json.Marshal(plan)
	if err != nil {
		return nil, err
	}
	var a archive
	for _, dir := range []string{"proc", "sys", "dev", "tmp", "run", "etc", guest.Home} {
		a.folders(dir)
	}
	a.add("init", 0o755, vinit)
	a.add(guest.PlanPath, 0o644, planJSON)
	for _, m := range modules {
		b, err := h.readModule(m.file)
		if err != nil {
			return nil, fmt.Errorf("read kernel module: %s: %w", m.name, err)
		}
		a.add(path.Join(guest.ModulesDir, m.name+".ko"), 0o644, b)
	}
	files := maps.Clone(c.Files)
	if files == nil {
		files = map[string]string{}
	}
	files[plan.Path] = c.Payload
	if err := a.copyIn(files); err != nil {
		return nil, err
	}
	return a.bytes(), nil
}

// copyIn adds files of this machine, by their path in the guest.
func (a *archive) copyIn(files map[string]string) error {
	for _, to := range slices.Sorted(maps.Keys(files)) {
		info, err := os.Stat(files[to])
		if err != nil {
			return err
		}
		b, err := os.ReadFile(files[to])
		if err != nil {
			return err
		}
		a.add(to, uint32(info.Mode().Perm()), b)
	}
	return nil
}

func (h host) modulesToLoad(lines []string) ([]module, error) {
	if len(lines) == 0 {
		return nil, nil
	}
	x, err := openModuleIndex(h.kernel.modules)
	if err != nil {
		return nil, err
	}
	return x.load(lines)
}

// environment is the payload's, sorted by name.
func (c Config) environment() []string {
	env := map[string]string{"PATH": "/bin", "HOME": guest.Home}
	maps.Copy(env, c.Env)
	var list []string
	for _, k := range slices.Sorted(maps.Keys(env)) {
		list = append(list, k+"="+env[k])
	}
	return list
}
