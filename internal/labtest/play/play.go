package play

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// Play is a scenario whose trees are open and whose blocks can be played.
type Play struct {
	Scenario *setup.Scenario
	Blocks   []*Block
	stages   map[string]*stage // by folder
}

// stage is a captured tree with what probe reads from it.
type stage struct {
	tree     *probe.Tree
	snapshot rig.Snapshot
	signals  map[int][]rig.Signal // by the number of passes
}

// Block is one block of the scenario.
type Block struct {
	setup.Block
	Number   int // from 1 on
	scenario *setup.Scenario
	stage    *stage
	state    state
	workload *setup.Workload // as an operator would have written it
	setup    *setup.Setup    // nil when none is declared
}

// Load reads a scenario file and all that it names. Whatever is wrong with any
// of it is found here, before the first run is played; errors have the file and
// line, and a Hint.
func Load(file string) (*Play, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fault.New("scenario file", file, reason(err)).WithHint("name an existing file with --scenario")
	}
	s, err := setup.ParseScenario(file, data)
	if err != nil {
		return nil, err
	}
	if err := s.Check(known); err != nil {
		return nil, err
	}
	p := &Play{Scenario: s, stages: map[string]*stage{}}
	for i, b := range s.Blocks {
		block, err := p.prepare(b, i+1)
		if err != nil {
			return nil, errors.Join(err, p.Close())
		}
		p.Blocks = append(p.Blocks, block)
	}
	return p, nil
}

// Close closes the trees.
func (p *Play) Close() (err error) {
	for _, s := range p.stages {
		err = errors.Join(err, s.tree.Close())
	}
	return err
}

// beside gives the path of a file that the scenario names.
func (p *Play) beside(path string) string {
	path = filepath.FromSlash(path)
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(p.Scenario.File), path)
}

func (p *Play) prepare(b setup.Block, number int) (*Block, error) {
	out := &Block{Block: b, Number: number, scenario: p.Scenario}
	var err error
	if out.stage, err = p.stage(b); err != nil {
		return nil, err
	}
	if out.state, err = newState(out.stage.snapshot, b.Set, p.Scenario); err != nil {
		return nil, err
	}
	if out.workload, err = workloadFile(b.Workload, p.Scenario); err != nil {
		return nil, err
	}
	out.setup, err = p.setup(out)
	return out, err
}

// stage opens the block's tree, once for all blocks that have it.
func (p *Play) stage(b setup.Block) (*stage, error) {
	tree, line := b.Rig.Tree, b.Rig.Line
	if b.Tree != "" {
		tree, line = b.Tree, b.Line
	}
	dir := p.beside(tree)
	if s := p.stages[dir]; s != nil {
		return s, nil
	}
	t, err := probe.CapturedTree(dir)
	if err != nil {
		return nil, p.Scenario.Fault(line, "tree is relative to the scenario file; a tree is made with: agent facts --save DIR", "%v", err)
	}
	if _, err := t.List("proc"); err != nil {
		t.Close()
		return nil, p.Scenario.Fault(line, "name the folder that holds proc and sys", "no captured tree: %s has no proc in it", tree)
	}
	s := &stage{tree: t, snapshot: probe.Snapshot(context.Background(), t, probe.Options{}), signals: map[int][]rig.Signal{}}
	p.stages[dir] = s
	return s, nil
}

// setup reads the block's setup file, or makes one up for its label.
func (p *Play) setup(b *Block) (*setup.Setup, error) {
	if b.SetupFile == "" {
		return madeSetup(b, p.Scenario)
	}
	file := p.beside(b.SetupFile)
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, p.Scenario.Fault(b.Line, "setup_file is relative to the scenario file", "setup_file %s: %v", b.SetupFile, reason(err))
	}
	set, err := setup.ParseSetup(file, data)
	if err != nil {
		return nil, err
	}
	return set, set.Check(func(key string) (string, bool) {
		_, ok := rig.Lookup(rig.Key(key))
		return string(rig.Nearest(rig.Key(key))), ok
	})
}

// reason drops the path that an *fs.PathError repeats.
func reason(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// Count is how many runs the block has.
func (b *Block) Count() int { return b.Repeats * b.Sessions }

// Name says what is played: heron, orrery 3, memory-rated.
func (b *Block) Name() string {
	s := b.Rig.Name + ", " + b.workload.Name
	if b.workload.Version != "" {
		s += " " + b.workload.Version
	}
	if b.setup != nil {
		s += ", " + b.setup.Label
	}
	return s
}

// played is how a record says what it is.
func (b *Block) played() string {
	tree := b.Rig.Tree
	if b.Tree != "" {
		tree = b.Tree
	}
	return fmt.Sprintf("by testdata/planetarium from %s, block %d: the facts are those of the captured tree %s and what the scenario sets; frame times and moving signals are made up",
		filepath.Base(b.scenario.File), b.Number, filepath.Base(filepath.FromSlash(tree)))
}
