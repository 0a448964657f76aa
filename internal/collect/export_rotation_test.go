package collect

import "os"

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
