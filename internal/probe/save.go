package probe

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"witnessmark/internal/fault"
	"witnessmark/internal/rig"
)

// captureWindow is how long a capture watches how idle the machine is.
const captureWindow = time.Second

// Save writes to dir all that the readers of facts and the sampler's search for
// signals find in t, so that CapturedTree(dir) gives the same facts elsewhere.
// Links are kept, what cannot be read is noted with its reason, and processes
// are left out. Serial numbers, UUIDs and the addresses of network cards are
// replaced by stand-ins of the same shape unless plain is set.
//
// dir must be empty or not there yet; it appears whole or not at all. Errors
// are *fault.Error.
func Save(ctx context.Context, t *Tree, dir string, plain bool) error {
	problem := func(err error) *fault.Error { return fault.New("save the state of this machine", dir, err) }
	if t.root == nil {
		return problem(errNoFiles)
	}
	if err := checkEmpty(dir); err != nil {
		return problem(err).WithHint("name a directory that is not there yet")
	}
	seen := t.traced()
	facts := Facts(ctx, seen, Options{Window: captureWindow})
	NewSampler(seen, SampleOptions{}).Close()
	p := seen.picture()
	if plain {
		p.notes.Hashed = t.notes.Hashed
	} else {
		p.redact()
	}
	if err := p.save(ctx, dir, func(dir string) error {
		if plain {
			return nil
		}
		return p.pairHashes(ctx, dir, facts)
	}); err != nil {
		return problem(err)
	}
	return nil
}

func checkEmpty(dir string) error {
	names, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case len(names) > 0:
		return errors.New("the directory is not empty")
	}
	return nil
}

// save writes the picture beside dir, has finish look at it, and moves it into
// place. On any error, an ended ctx among them, nothing is left behind.
func (p *picture) save(ctx context.Context, dir string, finish func(string) error) (err error) {
	dir = filepath.Clean(dir)
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	part, err := os.MkdirTemp(filepath.Dir(dir), filepath.Base(dir)+".part-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.RemoveAll(part)
		}
	}()
	if err := p.write(ctx, part); err != nil {
		return err
	}
	if err := finish(part); err != nil {
		return err
	}
	if err := p.writeNotes(part); err != nil {
		return err
	}
	if err := os.Chmod(part, 0o755); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return errors.New("interrupted")
	}
	if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return os.Rename(part, dir)
}

// write puts directories first and links last, so that no link stands where
// something has to be written through.
func (p *picture) write(ctx context.Context, dir string) error {
	for _, d := range slices.Sorted(maps.Keys(p.dirs)) {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(d)), 0o755); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(p.files)) {
		if ctx.Err() != nil {
			return errors.New("interrupted")
		}
		at := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(at, p.files[name], 0o644); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(p.links)) {
		at := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			return err
		}
		if err := os.Symlink(filepath.FromSlash(p.links[name]), at); err != nil {
			return err
		}
	}
	return nil
}

func (p *picture) writeNotes(dir string) error {
	b, err := json.MarshalIndent(p.notes, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, notesFile), append(b, '\n'), 0o644)
}

// pairHashes reads the facts of the tree as written and notes, for each
// identity in it, the hash that the fact had on the machine itself. Without
// that the same machine would look like another one in its own capture.
func (p *picture) pairHashes(ctx context.Context, dir string, facts []rig.Fact) error {
	if err := p.writeNotes(dir); err != nil {
		return err
	}
	written, err := CapturedTree(dir)
	if err != nil {
		return err
	}
	defer written.Close()
	written = written.traced()
	Facts(ctx, written, Options{})
	p.notes.Hashed = map[string]string{}
	for _, f := range facts {
		standIn, hashed := written.trace.secrets[f.Key]
		if text, ok := f.Value.Text(); ok && hashed {
			p.notes.Hashed[standIn] = text
		}
	}
	return p.checkFacts(facts, written)
}

// checkFacts holds what the written tree says against what was read: a capture
// that says something else must not leave the machine.
func (p *picture) checkFacts(facts []rig.Fact, written *Tree) error {
	again := *written
	again.notes, again.trace = p.notes, nil
	saved := Snapshot(context.Background(), &again, Options{})
	for _, f := range facts {
		g, ok := saved.Find(f.Key)
		if e, _ := rig.Lookup(f.Key); e.Pace == rig.Passing {
			continue
		}
		if !ok || f.Value != g.Value || f.Unread.Reason != g.Unread.Reason {
			return fault.New("check the capture", string(f.Key), fmt.Errorf("it would be %q there and is %q here", g.String(), f.String())).
				WithHint("the machine may have changed meanwhile; try again")
		}
	}
	return nil
}
