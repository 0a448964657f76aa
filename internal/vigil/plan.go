package vigil

import (
	"crypto/ed25519"
	"errors"
	"io/fs"
	"path/filepath"

	"witnessmark/internal/audit"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/setup"
)

// Plan is an agent file with what it names. Paths are whole.
type Plan struct {
	*setup.Agent
	Name    string             // the rig's, which the file may leave to others to say
	Key     ed25519.PrivateKey // the rig's, which signs
	Setup   *setup.Setup       // nil when none is declared
	Folders []Folder
	Demand  *audit.Demand // nil when no witnesses are named
}

// Folder is a folder to be watched.
type Folder struct {
	setup.Folder
	Setup *setup.Setup // of the runs whose logs lie there; nil when none is declared
}

// ReadPlan reads an agent file and the setup files that it names. The rig's name
// and key are left to be found.
func ReadPlan(file string, read func(string) ([]byte, error)) (*Plan, error) {
	data, err := read(file)
	if err != nil {
		return nil, fault.New("agent file", file, reason(err)).WithHint("name an existing file with --config; deploy/agent.toml shows what may be in it")
	}
	a, err := setup.ParseAgent(file, data)
	if err != nil {
		return nil, err
	}
	p := &Plan{Agent: a}
	from := func(path string) string {
		if path == "" || filepath.IsAbs(path) {
			return path
		}
		return filepath.Join(filepath.Dir(file), filepath.FromSlash(path))
	}
	a.State, a.Socket = from(a.State), from(a.Socket)
	if p.Setup, err = readSetup(file, from(a.Setup), read); err != nil {
		return nil, err
	}
	if len(a.Witnesses) > 0 {
		d, err := audit.NewDemand(a.Witnesses, a.WitnessNeed, a.WitnessWithin)
		if err != nil {
			return nil, err
		}
		p.Demand = &d
	}
	for _, f := range a.Folders {
		w := Folder{Folder: f, Setup: p.Setup}
		w.Path = from(f.Path)
		if f.Setup != "" {
			if w.Setup, err = readSetup(file, from(f.Setup), read); err != nil {
				return nil, err
			}
		}
		p.Folders = append(p.Folders, w)
	}
	return p, nil
}

func readSetup(agent, path string, read func(string) ([]byte, error)) (*setup.Setup, error) {
	if path == "" {
		return nil, nil
	}
	data, err := read(path)
	if err != nil {
		return nil, fault.New("setup file", path, reason(err)).WithHint("the agent file " + agent + " names it")
	}
	return drift.ReadSetup(path, data)
}

// reason drops the path that an *fs.PathError repeats.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// fixed names what of the plan is other than in the one that the agent was started
// with and takes effect only when it is started anew.
func (p *Plan) fixed(first *Plan) (names []string) {
	for _, c := range []struct {
		name string
		same bool
	}{
		{"state", p.State == first.State}, {"log", p.Log == first.Log},
		{"sampling", p.FullPace == first.FullPace && p.IdlePace == first.IdlePace},
		{"ring", p.RingKeep == first.RingKeep && p.RingBytes == first.RingBytes},
		{"spool", p.SpoolBytes == first.SpoolBytes},
		{"socket", p.Socket == first.Socket && p.SocketGroup == first.SocketGroup},
		{"metrics", p.Metrics == first.Metrics && p.MetricsAnywhere == first.MetricsAnywhere},
	} {
		if !c.same {
			names = append(names, c.name)
		}
	}
	return names
}
