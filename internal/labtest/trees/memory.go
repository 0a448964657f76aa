package trees

import "fmt"

// Memory is what the kernel has of it, and its error counters.
type Memory struct {
	TotalKiB, AvailableKiB int
	SwapKiB                int
	Corrected, Uncorrected int // errors counted, with ECC
	ECC                    bool
	HugePages              int
}

func (b *builder) memory(r Rig) {
	m := r.Memory
	kb := func(name string, n int) string { return fmt.Sprintf("%-16s%8d kB", name+":", n) }
	b.text("proc/meminfo", kb("MemTotal", m.TotalKiB), kb("MemFree", m.AvailableKiB*9/10), kb("MemAvailable", m.AvailableKiB),
		kb("Buffers", 40960), kb("Cached", m.AvailableKiB/12), kb("SwapCached", 0), kb("SwapTotal", m.SwapKiB), kb("SwapFree", m.SwapKiB),
		kb("Dirty", 84), fmt.Sprintf("HugePages_Total: %7d", m.HugePages), fmt.Sprintf("HugePages_Free: %8d", m.HugePages), kb("Hugepagesize", 2048))
	b.text("proc/vmstat", "pgpgin 2811034", "pgpgout 901220", "pswpin 0", "pswpout 0", "pgfault 88120345", "pgmajfault 5120", "thp_fault_alloc 1210")
	b.all("sys/kernel/mm", map[string]any{"transparent_hugepage/enabled": r.System.THP, "transparent_hugepage/defrag": r.System.THPDefrag, "hugepages/hugepages-2048kB/nr_hugepages": m.HugePages})
	const node = "sys/devices/system/node"
	b.put(node+"/online", 0)
	b.all(node+"/node0", map[string]any{"cpulist": list(0, len(r.CPU.threads())-1), "distance": 10})
	b.text(node+"/node0/meminfo", fmt.Sprintf("Node 0 MemTotal:       %d kB", m.TotalKiB), fmt.Sprintf("Node 0 MemFree:        %d kB", m.AvailableKiB*9/10))
	if m.ECC {
		b.all("sys/devices/system/edac/mc/mc0", map[string]any{"mc_name": "UMC", "ce_count": m.Corrected, "ue_count": m.Uncorrected})
	}
}
