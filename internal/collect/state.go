package collect

import (
	"os"
	"path/filepath"
	"runtime"

	"witnessmark/internal/fault"
)

// StateFolder is where a user's rig key, spool and embedded archive live: the
// folder that was named, else the system's own place for such things
// ($XDG_STATE_HOME/witnessmark or ~/.local/state/witnessmark; on Windows and
// macOS below the user's configuration folder). It makes nothing.
func StateFolder(named string) (string, error) {
	if named != "" {
		return filepath.Abs(named)
	}
	base, err := stateBase()
	if err != nil {
		return "", fault.New("find the state folder", "", err).WithHint("name one with --state DIR or WITNESSMARK_STATE")
	}
	return filepath.Join(base, "witnessmark"), nil
}

func stateBase() (string, error) {
	if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
		return os.UserConfigDir()
	}
	// The XDG base directory specification says to ignore a relative path.
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return dir, nil
	}
	home, err := os.UserHomeDir()
	return filepath.Join(home, ".local", "state"), err
}
