// Command relay joins its standard input and output to one TCP address. The
// virtual rig's emulator starts one for each connection that the guest opens to
// a forwarded port, so that the guest reaches this address and no other.
//
// Usage: relay HOST:PORT
package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"time"
)

// lingers is how long the far side may go on sending once the guest is done.
const lingers = 5 * time.Second

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: relay HOST:PORT")
		os.Exit(2)
	}
	c, err := net.Dial("tcp", os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, "relay:", err)
		os.Exit(1)
	}
	go func() {
		io.Copy(c, os.Stdin)
		c.(*net.TCPConn).CloseWrite()
		c.SetReadDeadline(time.Now().Add(lingers))
	}()
	io.Copy(os.Stdout, c)
}
