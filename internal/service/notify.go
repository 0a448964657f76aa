package service

import (
	"fmt"
	"net"
	"strings"
	"time"

	"witnessmark/internal/fault"
)

// notifier sends the datagrams of sd_notify(3). A nil one tells nobody.
//
// They are a few lines of text, and the libraries for them read the environment
// of the process and dial anew for each, which could not be tested beside other
// tests; so they are written here.
type notifier struct{ conn *net.UnixConn }

// openNotifier dials the socket that a service manager names; "" is none. One
// that begins with @ is in the abstract namespace.
func openNotifier(socket string) (*notifier, error) {
	if socket == "" {
		return nil, nil
	}
	if !strings.HasPrefix(socket, "/") && !strings.HasPrefix(socket, "@") {
		return nil, fault.New("tell the service manager", socket, fmt.Errorf("NOTIFY_SOCKET is neither a path nor an abstract socket"))
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		return nil, fault.New("tell the service manager", socket, err)
	}
	return &notifier{conn}, nil
}

// patience is how long a manager that does not listen holds a daemon up.
const patience = time.Second

// send sends assignments such as READY=1 as one datagram.
func (n *notifier) send(assignments ...string) error {
	if n == nil {
		return nil
	}
	n.conn.SetWriteDeadline(time.Now().Add(patience))
	_, err := n.conn.Write([]byte(strings.Join(assignments, "\n")))
	return err
}

func (n *notifier) close() {
	if n != nil {
		n.conn.Close()
	}
}

// statusLine is what the manager shows of the daemon; it is one line.
func statusLine(text string) string {
	return "STATUS=" + strings.Join(strings.Fields(text), " ")
}
