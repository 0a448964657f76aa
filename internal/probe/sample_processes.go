package probe

import (
	"os"
	"strconv"
)

// treeProcesses reads the processes of any tree through it.
type treeProcesses struct{ tree *Tree }

func (p treeProcesses) list(into []int) []int {
	names, _ := p.tree.List("proc")
	for _, n := range names {
		if pid, err := strconv.Atoi(n); err == nil && pid > 0 {
			into = append(into, pid)
		}
	}
	return into
}

func (p treeProcesses) stat(pid int, buf []byte) (int, bool) {
	b, err := p.tree.Read("proc/" + strconv.Itoa(pid) + "/stat")
	return copy(buf, b), err == nil
}

func (p treeProcesses) self() int {
	if !p.tree.Live() {
		return 0
	}
	return os.Getpid()
}

func (p treeProcesses) close() {}
