package screen

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"

	"github.com/spf13/cobra"

	"witnessmark/internal/fault"
)

// The environment variables that stand for the flags of Place.
const (
	CollectorVar = "WITNESSMARK_COLLECTOR"
	StateVar     = "WITNESSMARK_STATE"
)

// Place says where a command finds its collector and keeps its own things. The
// state folder holds
//
//	archive/   the embedded archive, when no collector is named
//	spool/     runs on their way to a collector
//	key.pem    the rig's key
type Place struct {
	Collector string // HOST:PORT; "" for the embedded archive
	State     string // "" for the user's own folder
}

// Flags adds --collector and --state to a command and all below it. Flags go
// before environment variables.
func (p *Place) Flags(c *cobra.Command) {
	f := c.PersistentFlags()
	f.StringVar(&p.Collector, "collector", os.Getenv(CollectorVar), "ask the collector served on `HOST:PORT`, not the archive in the state folder (or set "+CollectorVar+")")
	f.StringVar(&p.State, "state", os.Getenv(StateVar), "state folder `DIR` (or set "+StateVar+")")
	f.Lookup("collector").DefValue, f.Lookup("state").DefValue = "", ""
}

// Folder is the state folder: --state, else the user's own by the system's
// convention ($XDG_STATE_HOME/witnessmark, ~/.local/state/witnessmark; on
// Windows and macOS below the configuration folder).
func (p Place) Folder() (string, error) {
	if p.State != "" {
		return filepath.Abs(p.State)
	}
	if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
		dir, err := os.UserConfigDir()
		return filepath.Join(dir, "witnessmark"), stateless(err)
	}
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) { // a relative one is to be ignored
		return filepath.Join(dir, "witnessmark"), nil
	}
	home, err := os.UserHomeDir()
	return filepath.Join(home, ".local", "state", "witnessmark"), stateless(err)
}

func stateless(err error) error {
	if err == nil {
		return nil
	}
	return fault.New("find the state folder", "", errors.Join(err)).WithHint("name one with --state DIR or " + StateVar)
}

// Archive is the folder of the embedded archive.
func (p Place) Archive() (string, error) { return p.under("archive") }

// Spool is the folder of runs on their way.
func (p Place) Spool() (string, error) { return p.under("spool") }

// Key is the file of the rig's key.
func (p Place) Key() (string, error) { return p.under("key.pem") }

func (p Place) under(name string) (string, error) {
	dir, err := p.Folder()
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, name), nil
}
