package probe

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"github.com/shirou/gopsutil/v3/common"
	"github.com/shirou/gopsutil/v3/disk"
	"github.com/shirou/gopsutil/v3/mem"

	"witnessmark/internal/rig"
)

// The library answers with zeros and no error where a file is missing, and some
// of its calls ask the running machine whatever root they are given. So a
// reader here first reads the file itself, through the tree, and only what
// stays inside the tree is asked of a captured one.

// inside points the library at the tree. Every root is set, because one left
// out falls back to the environment.
func (t *Tree) inside(ctx context.Context) context.Context {
	at := func(dir string) string { return filepath.Join(t.root.Name(), dir) }
	return context.WithValue(ctx, common.EnvKey, common.EnvMap{
		common.HostProcEnvKey: at("proc"), common.HostSysEnvKey: at("sys"), common.HostEtcEnvKey: at("etc"),
		common.HostVarEnvKey: at("var"), common.HostRunEnvKey: at("run"), common.HostDevEnvKey: at("dev"),
		common.HostRootEnvKey: at("."), "HOST_PROC_MOUNTINFO": at("proc/self/mountinfo"),
	})
}

// usable says whether the library reads the tree's files on this system; on
// others it asks the system, which knows nothing of a captured tree.
func (t *Tree) usable() bool { return runtime.GOOS == "linux" && t.root != nil }

// asked calls the library, turning a panic over outside bytes into an error.
func asked[T any](call func() (T, error)) (v T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("cannot be parsed: %v", p)
		}
	}()
	return call()
}

// ram is what /proc/meminfo says, in MiB.
func (s *sheet) ram() map[rig.Key]reading {
	const file = "/proc/meminfo"
	b, err := s.tree.Read(file[1:])
	lines := parsePairs(b)
	line := func(name string) reading {
		if err != nil {
			return failed(file+": "+name, err)
		}
		return kibibytes(file, lines, name)
	}
	total, available, swap, free := line("MemTotal"), line("MemAvailable"), line("SwapTotal"), line("SwapFree")
	if s.tree.usable() && total.ok() && available.ok() && swap.ok() && free.ok() {
		vm, err := asked(func() (*mem.VirtualMemoryStat, error) {
			return mem.VirtualMemoryWithContext(s.tree.inside(context.Background()))
		})
		if err == nil {
			total.value, available.value = mebibytes(vm.Total), mebibytes(vm.Available)
			swap.value, free.value = mebibytes(vm.SwapTotal), mebibytes(vm.SwapFree)
		}
	}
	if n, ok := total.value.Number(); ok && n == 0 {
		total = unread(total.source, rig.Implausible, "0")
	}
	return map[rig.Key]reading{"memory.total": total, "memory.available": available, "memory.swap_total": swap, "memory.swap_used": difference(swap, free)}
}

func mebibytes(n uint64) rig.Value { return rig.NumberOf(rounded(float64(n) / (1 << 20))) }

func difference(a, b reading) reading {
	if !a.ok() {
		return a
	}
	if !b.ok() {
		return b
	}
	x, _ := a.value.Number()
	y, _ := b.value.Number()
	return numberReading(a.source+", SwapFree", x-y, 0, 1<<40)
}

// freeDisk asks for the space left where the system is installed, in MiB.
func (s *sheet) freeDisk() reading {
	root := "/"
	if runtime.GOOS == "windows" {
		root = os.Getenv("SystemDrive") + `\`
	}
	text, err := s.tree.Ask("diskfree", func() (string, error) {
		u, err := disk.Usage(root)
		if err != nil {
			return "", err
		}
		return fmt.Sprint(u.Free), nil
	})
	if err != nil {
		return failed("statfs(2) "+root, err)
	}
	r := parsedNumber("statfs(2) "+root, text, 1<<20, 0, 1<<50)
	if n, ok := r.value.Number(); ok {
		r.value = rig.NumberOf(rounded(n))
	}
	return r
}
