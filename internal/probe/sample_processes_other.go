//go:build !linux

package probe

func openProcesses(t *Tree) processes { return treeProcesses{t} }
