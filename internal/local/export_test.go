package local

import "time"

// Handshake changes how long a connection may take, and gives what undoes it.
func Handshake(d time.Duration) (undo func()) {
	was := handshake
	handshake = d
	return func() { handshake = was }
}
