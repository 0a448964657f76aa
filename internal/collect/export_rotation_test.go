package collect

import (
	"os"
	"time"
)

// KillAtRotation kills this process before the nth step of a rotation, from 0.
func KillAtRotation(n int) {
	rotationStep = func() {
		if n == 0 {
			p, _ := os.FindProcess(os.Getpid())
			p.Kill()
			select {}
		}
		n--
	}
}

// KeepersMayRekey has keepers change the key of a trail so often and no more, until
// what it gives is called.
func KeepersMayRekey(times int) (restore func()) {
	was := keepersKeys
	keepersKeys = times
	return func() { keepersKeys = was }
}

// ToldFor has who comes with a key that has ended be told so for as long, until what it
// gives is called.
func ToldFor(d time.Duration) (restore func()) {
	was := toldFor
	toldFor = d
	return func() { toldFor = was }
}

// LockKey is held while a member's key is changed.
var LockKey = lockKey
