package vigil

import (
	"context"
	"errors"
	"os"

	"golang.org/x/sys/unix"

	"witnessmark/internal/fault"
)

// KernelEvents tells, until ctx ends, whenever the kernel announces that a device
// came, went or changed: a processor taken offline, a module loaded, a disk
// plugged in. Every user may listen.
func KernelEvents(ctx context.Context) (<-chan struct{}, error) {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.NETLINK_KOBJECT_UEVENT)
	if err == nil {
		if err = unix.Bind(fd, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: 1}); err != nil {
			unix.Close(fd)
		}
	}
	if err != nil {
		return nil, fault.New("listen to the kernel", "", err).WithHint("facts are read every few minutes all the same; a service needs AF_NETLINK in RestrictAddressFamilies")
	}
	f := os.NewFile(uintptr(fd), "kobject_uevent")
	told := make(chan struct{}, 1)
	context.AfterFunc(ctx, func() { f.Close() })
	go func() {
		var buf [8 << 10]byte // the kernel sends no more than 2 KiB at once
		for ctx.Err() == nil {
			_, err := f.Read(buf[:])
			if err != nil && !errors.Is(err, unix.ENOBUFS) { // whose queue ran over has missed some
				return
			}
			poke(told)
		}
	}()
	return told, nil
}
