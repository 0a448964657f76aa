package probe

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/rig"
)

// processor puts what /proc/cpuinfo says of the model.
func (s *sheet) processor() {
	s.put("cpu.model", firstOf(s.cpuinfo("model name"), s.tableModel(), s.midr()))
	s.put("cpu.family", s.cpuinfoNumber("cpu family"))
	s.put("cpu.model_number", s.cpuinfoNumber("model"))
	s.put("cpu.stepping", s.cpuinfoNumber("stepping"))
	s.put("cpu.microcode", firstOf(s.cpuinfo("microcode"), s.microcode()))
}

// cpuinfo joins one line of every block. Processors may differ, and mixed
// microcode is a fault worth seeing.
func (s *sheet) cpuinfo(name string) reading {
	source := "/proc/cpuinfo: " + name
	if s.cpu.infoWhy != nil {
		return failed(source, s.cpu.infoWhy)
	}
	var parts []part
	for i, b := range s.cpu.info {
		value, ok := b[name]
		if !ok {
			continue
		}
		n, err := strconv.Atoi(b["processor"])
		if err != nil || n < 0 {
			n = i
		}
		parts = append(parts, part{processors{n}, textReading(source, value)})
	}
	r := agree(source, parts)
	if len(parts) == 0 {
		r.why.Detail = "no such line"
	}
	return r
}

// cpuinfoNumber is cpuinfo as a number, where all processors have the same.
func (s *sheet) cpuinfoNumber(name string) reading {
	r := s.cpuinfo(name)
	text, ok := r.value.Text()
	if !ok || strings.ContainsRune(text, ',') { // unread, or "1 0-3, 2 4-7"
		return r
	}
	return parsedNumber(r.source, text, 1, 0, 1e6)
}

func (s *sheet) microcode() reading {
	const source = "/" + cpuDir + "/cpu*/microcode/version"
	var parts []part
	for _, n := range s.cpu.online {
		r := s.file(fmt.Sprintf("%s/cpu%d/microcode/version", cpuDir, n))
		if r.why.Reason == rig.Absent {
			return r
		}
		parts = append(parts, part{processors{n}, r})
	}
	return agree(source, parts)
}

// midr is the register that names an arm64 processor.
func (s *sheet) midr() reading {
	r := s.file(cpuDir + "/cpu0/regs/identification/midr_el1")
	if text, ok := r.value.Text(); ok {
		r.value = rig.TextOf("MIDR " + text)
	}
	return r
}

// tableModel is the processor as the firmware's table has it.
func (s *sheet) tableModel() reading {
	source := tableSource + ": type 4"
	if s.table.err != nil {
		return failed(source, s.table.err)
	}
	for _, p := range s.table.Processors() {
		if text, ok := p.Version.Get(); ok {
			return textReading(source, text)
		}
	}
	return unread(source, rig.Absent, "no processor in the table")
}

// machine puts whose machine it is and whether it is one at all.
func (s *sheet) machine() {
	s.put("machine.virtual", s.virtual())
	s.putHashed("machine.id", s.file("etc/machine-id"))
}

// virtual looks for a hypervisor: the processor's flag, the kernel's directory
// for one, and the firmware's own word. Only the processor's flags can say no.
func (s *sheet) virtual() reading {
	r := s.cpuinfo("flags")
	if text, ok := r.value.Text(); ok {
		yes := slices.Contains(strings.Fields(text), "hypervisor")
		r = truthReading(r.source, yes)
	} else if r.why.Reason == rig.Absent && s.cpu.infoWhy == nil {
		r = unread(r.source, rig.Unknown, "this kind of processor does not say")
	}
	if yes, _ := r.value.Truth(); yes {
		return r
	}
	for _, f := range []string{"sys/hypervisor/type", "proc/device-tree/hypervisor/compatible"} {
		if k := s.file(f); k.ok() {
			return truthReading(k.source, true)
		}
	}
	if s.table.saysVirtual() {
		return truthReading(tableSource+": type 0", true)
	}
	return r
}

// vulnerabilities puts the kernel's words on each weakness, and their classes
// in one line, because the wording changes between kernels.
func (s *sheet) vulnerabilities() {
	const dir = cpuDir + "/vulnerabilities"
	names, err := s.tree.List(dir)
	if err != nil {
		s.put("kernel.mitigations", failed("/"+dir, err))
		return
	}
	classes := map[string][]string{}
	for _, n := range names {
		r := s.file(dir + "/" + n)
		s.put(keyOf("cpu.vulnerability", n, ""), r)
		text, ok := r.value.Text()
		if !ok {
			s.put("kernel.mitigations", reading{source: r.source, why: r.why})
			return
		}
		c := mitigationClass(text)
		classes[c] = append(classes[c], n)
	}
	s.put("kernel.mitigations", textReading("/"+dir, classLine(classes)))
}

var mitigationClasses = []string{"Mitigation", "Not affected", "Vulnerable", "Unknown", "Other"}

func mitigationClass(text string) string {
	text = strings.TrimPrefix(text, "KVM: ")
	for _, c := range mitigationClasses[:4] {
		if strings.HasPrefix(text, c) {
			return c
		}
	}
	return "Other"
}

// classLine gives "Mitigation: 7, Not affected: 9, Vulnerable: 1 (name)": those
// that no one needs to look into are counted, the others named.
func classLine(classes map[string][]string) string {
	var parts []string
	for i, c := range mitigationClasses {
		names := classes[c]
		if len(names) == 0 {
			continue
		}
		p := fmt.Sprintf("%s: %d", c, len(names))
		if i >= 2 {
			p += " (" + strings.Join(names, ", ") + ")"
		}
		parts = append(parts, p)
	}
	return strings.Join(parts, ", ")
}
