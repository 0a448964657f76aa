//go:build linux

package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// seed gives the kernel random bytes to start from, so that programs that make keys
// need not wait for it to gather them from the noise of a machine that has little.
func seed(random []byte) error {
	f, err := os.OpenFile("/dev/urandom", os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	const addEntropy = 0x40085203 // RNDADDENTROPY: bits, bytes, then the bytes themselves
	request := binary.NativeEndian.AppendUint32(nil, uint32(8*len(random)))
	request = binary.NativeEndian.AppendUint32(request, uint32(len(random)))
	request = append(request, random...)
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, f.Fd(), addEntropy, uintptr(unsafe.Pointer(&request[0]))); e != 0 {
		return fmt.Errorf("seed the random numbers: %w", e)
	}
	return nil
}

// ifup gives an interface its address and takes it up. A card may show up only a
// moment after its driver was loaded.
func ifup(a []string) (string, error) {
	name := a[0]
	awaitFile("/sys/class/net/" + name)
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return "", err
	}
	defer unix.Close(fd)
	if a[1] != "" {
		if err := errors.Join(setAddr(fd, name, unix.SIOCSIFADDR, a[1]), setAddr(fd, name, unix.SIOCSIFNETMASK, a[2])); err != nil {
			return "", err
		}
	}
	r, err := unix.NewIfreq(name)
	if err != nil {
		return "", err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return "", unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r)
}

// awaitFile gives the kernel two seconds to show a file. Whoever needs it says
// what is wrong when it is not there.
func awaitFile(path string) {
	for range 100 {
		if _, err := os.Stat(path); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func setAddr(fd int, name string, request uint, addr string) error {
	ip, err := netip.ParseAddr(addr)
	if err != nil {
		return err
	}
	r, err := unix.NewIfreq(name)
	if err != nil {
		return err
	}
	if err := r.SetInet4Addr(ip.AsSlice()); err != nil {
		return err
	}
	return unix.IoctlIfreq(fd, request, r)
}

// cmos sets one byte of the real-time clock's memory by its index and data ports.
// The kernel and the firmware's code use the same two ports, so it reads the byte
// back and sets it again when another came in between.
func cmos(a []string) (string, error) {
	n, err := numbers(a, 8)
	if err != nil {
		return "", err
	}
	const indexPort = 0x70
	port, err := os.OpenFile("/dev/port", os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	defer port.Close()
	for range 20 {
		index, got := []byte{byte(n[0])}, make([]byte, 1)
		_, set := port.WriteAt([]byte{byte(n[0]), byte(n[1])}, indexPort)
		_, sel := port.WriteAt(index, indexPort)
		_, get := port.ReadAt(got, indexPort+1)
		if err := errors.Join(set, sel, get); err != nil {
			return "", err
		}
		if got[0] == byte(n[1]) {
			return "", nil
		}
	}
	return "", fmt.Errorf("set byte %#x: it does not keep the value %#x", n[0], n[1])
}

func i2cByte(a []string) (string, error) { return smbusWrite(a, 2) }
func i2cWord(a []string) (string, error) { return smbusWrite(a, 3) }

// smbusWrite writes one register of an I2C device; size is the transfer's, as in
// the kernel's i2c.h: 2 for a byte, 3 for a word.
func smbusWrite(a []string, size uint32) (string, error) {
	n, err := numbers(a, 16)
	if err != nil {
		return "", err
	}
	f, err := os.OpenFile(fmt.Sprintf("/dev/i2c-%d", n[0]), os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	defer f.Close()
	const slaveForce, smbus = 0x0706, 0x0720
	if err := unix.IoctlSetInt(int(f.Fd()), slaveForce, n[1]); err != nil {
		return "", err
	}
	var data [34]byte
	binary.NativeEndian.PutUint16(data[:], uint16(n[3]))
	request := struct {
		read, register byte
		size           uint32
		data           unsafe.Pointer
	}{0, byte(n[2]), size, unsafe.Pointer(&data)}
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, f.Fd(), smbus, uintptr(unsafe.Pointer(&request))); e != 0 {
		return "", e
	}
	return "", nil
}
