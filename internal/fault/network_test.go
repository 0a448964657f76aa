package fault_test

import (
	"testing"

	"witnessmark/internal/fault"
)

func TestNetwork(t *testing.T) {
	for said, want := range map[string]string{
		`connection error: desc = "transport: Error while dialing: dial tcp 127.0.0.1:1: connect: connection refused"`: "connect: connection refused",
		`connection error: desc = "transport: Error while dialing: dial tcp [::1]:1: connect: connection refused"`:     "connect: connection refused",
		`connection error: desc = "transport: Error while dialing: dial unix /run/x: connect: no such file"`:           "connect: no such file",
		`connection error: desc = "transport: authentication handshake failed: tls: bad "x""`:                          `tls: bad "x"`,
		`connection error: desc = "error reading server preface: EOF"`:                                                 "error reading server preface: EOF",
		"transport: authentication handshake failed: EOF":                                                              "EOF",
		"Error while dialing: dial tcp": "Error while dialing: dial tcp",
		"the server is shutting down":   "the server is shutting down",
		"":                              "",
	} {
		if got := fault.Network(said); got != want {
			t.Errorf("%s: %q, want %q", said, got, want)
		}
	}
}
