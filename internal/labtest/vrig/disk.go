package vrig

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
)

// diskSize is of a sparse file: it takes only what the guest writes.
const diskSize = 256 << 20

// MakeDisk makes an empty disk for Config.Disk, a file with an ext4 file system.
func MakeDisk(path string) error {
	h, err := findHost()
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Truncate(diskSize); err != nil {
		return err
	}
	if out, err := exec.Command(h.mkfs, "-q", "-F", path).CombinedOutput(); err != nil {
		return fmt.Errorf("make disk: %w: %s", err, strings.TrimSpace(string(out)))
	}
	return f.Close()
}

// findMkfs also looks where distributions have it that keep it from users' paths.
func findMkfs() (path string, err error) {
	for _, name := range []string{"mkfs.ext4", "/usr/sbin/mkfs.ext4", "/sbin/mkfs.ext4"} {
		if path, err = exec.LookPath(name); err == nil {
			return path, nil
		}
	}
	return "", err
}
