//go:build linux

package main

import (
	"io"
	"net"
)

// relay takes connections at one address and joins each to another one, for
// programs that talk to their own machine only.
func relay(a []string) (string, error) {
	l, err := net.Listen("tcp", a[0])
	if err != nil {
		return "", err
	}
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			go join(near.(*net.TCPConn), a[1])
		}
	}()
	return "", nil
}

// join copies both ways until both sides are done. A far side that cannot be
// reached ends the near one.
func join(near *net.TCPConn, there string) {
	defer near.Close()
	c, err := net.Dial("tcp", there)
	if err != nil {
		return
	}
	far := c.(*net.TCPConn)
	defer far.Close()
	sent := make(chan struct{})
	go func() {
		io.Copy(far, near)
		far.CloseWrite()
		close(sent)
	}()
	io.Copy(near, far)
	near.CloseWrite()
	<-sent
}
