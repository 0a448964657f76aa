//go:build !windows

package screen

import "os"

func takesColours(*os.File) bool { return true }
