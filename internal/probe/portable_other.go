//go:build !linux

package probe

import (
	"context"
	"os"
	"runtime"
	"time"

	"github.com/shirou/gopsutil/v3/cpu"
	"github.com/shirou/gopsutil/v3/host"
	"github.com/shirou/gopsutil/v3/mem"

	"witnessmark/internal/rig"
)

// portable puts what the library can ask of systems without /proc and /sys.
func (s *sheet) portable(ctx context.Context) {
	source := "gopsutil on " + runtime.GOOS
	text := func(v string, err error) reading {
		if err != nil {
			return failed(source, err)
		}
		return textReading(source, v)
	}
	put := func(k rig.Key, v string, err error) { s.put(k, text(v, err)) }
	count := func(k rig.Key, n float64, err error, least float64) {
		if err != nil {
			s.put(k, failed(source, err))
			return
		}
		s.put(k, numberReading(source, n, least, 1e12))
	}
	if all, err := cpu.InfoWithContext(ctx); err == nil && len(all) > 0 {
		put("cpu.model", all[0].ModelName, nil)
	}
	n, err := cpu.CountsWithContext(ctx, false)
	count("cpu.cores", float64(n), err, 1)
	n, err = cpu.CountsWithContext(ctx, true)
	count("cpu.threads", float64(n), err, 1)
	if vm, err := mem.VirtualMemoryWithContext(ctx); err == nil {
		count("memory.total", float64(vm.Total)/(1<<20), nil, 1)
		count("memory.available", float64(vm.Available)/(1<<20), nil, 0)
	}
	release, err := host.KernelVersionWithContext(ctx)
	put("kernel.release", release, err)
	name, _, version, err := host.PlatformInformationWithContext(ctx)
	put("os.name", name, err)
	put("os.version", version, err)
	up, err := host.UptimeWithContext(ctx)
	count("kernel.uptime", float64(up), err, 0)
	id, err := host.HostIDWithContext(ctx)
	s.putHashed("machine.id", text(id, err))
	name, err = os.Hostname()
	put("host.name", name, err)
	if s.opt.Window > 0 {
		busy, err := cpu.PercentWithContext(ctx, max(s.opt.Window, time.Millisecond), false)
		if err == nil && len(busy) == 1 {
			count("load.idle_before", rounded(100-busy[0]), nil, 0)
		}
	}
}
