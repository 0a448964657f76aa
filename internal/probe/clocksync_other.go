//go:build !linux

package probe

func adjtimex() (string, error) { return "", errNoFiles }
