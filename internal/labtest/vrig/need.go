package vrig

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// HomeVariable names the environment variable with the folder that holds the
// unpacked kernels, for another than witnessmark/vrig in the user's cache folder.
// Naming one says that the virtual rig is wanted: what is missing then fails a
// test that would be skipped otherwise.
const HomeVariable = "WITNESSMARK_VRIG"

const setupHint = "run .ci/vrig-setup (as root where packages are missing)"

// host is what this machine has for booting a rig.
type host struct {
	qemu, xz, mkfs string
	kernel         kernel
}

// A kernel is one unpacked linux-image package.
type kernel struct {
	image   string // boot/vmlinuz-VERSION
	modules string // lib/modules/VERSION
}

// Need skips the test unless a rig can be booted here, naming what is missing and
// how to get it. It also skips in short mode: a boot takes seconds.
func Need(t testing.TB) {
	t.Helper()
	if testing.Short() {
		t.Skip("virtual rig: a boot takes several seconds, left out by -short")
	}
	if _, err := findHost(); err != nil {
		if os.Getenv(HomeVariable) != "" {
			t.Fatalf("virtual rig: %v\nhint: %s", err, setupHint)
		}
		t.Skipf("virtual rig: %v; to get it, %s", err, setupHint)
	}
}

var findHost = sync.OnceValues(func() (host, error) {
	qemu, noQemu := exec.LookPath("qemu-system-x86_64")
	xz, noXZ := exec.LookPath("xz")
	mkfs, noMkfs := findMkfs()
	home, noHome := homeDir()
	k, noKernel := findKernel(home)
	if err := errors.Join(noHome, noQemu, noXZ, noMkfs, noKernel); err != nil {
		return host{}, errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return host{qemu: qemu, xz: xz, mkfs: mkfs, kernel: k}, nil
})

func homeDir() (string, error) {
	if d := os.Getenv(HomeVariable); d != "" {
		return d, nil
	}
	d, err := os.UserCacheDir()
	return filepath.Join(d, "witnessmark", "vrig"), err
}

// findKernel takes the kernel that was unpacked last.
func findKernel(home string) (kernel, error) {
	images, err := filepath.Glob(filepath.Join(home, "kernel", "*", "boot", "vmlinuz-*"))
	if err != nil {
		return kernel{}, err
	}
	var last kernel
	var unpacked int64
	for _, image := range images {
		root := filepath.Dir(filepath.Dir(image))
		version := strings.TrimPrefix(filepath.Base(image), "vmlinuz-")
		k := kernel{image: image, modules: filepath.Join(root, "lib", "modules", version)}
		dep, err := os.Stat(filepath.Join(k.modules, "modules.dep"))
		if err != nil {
			continue
		}
		if at := dep.ModTime().UnixNano(); at > unpacked {
			last, unpacked = k, at
		}
	}
	if last.image == "" {
		return kernel{}, fmt.Errorf("no kernel with a modules.dep under %s", filepath.Join(home, "kernel"))
	}
	return last, nil
}
