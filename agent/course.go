package main

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/probe"
	"witnessmark/internal/screen"
	"witnessmark/internal/setup"
	"witnessmark/internal/spool"
	"witnessmark/internal/vigil"
)

// course is what an agent that is always on goes by: its file, the flags that win
// over it, who the rig was enrolled as, and with which key.
type course struct {
	*session
	config string
	given  string // --state
	tree   *probe.Tree

	mu   sync.Mutex
	plan *vigil.Plan // in force

	rekeyAt time.Time // not before that is a change of key that waits gone on with
}

// read reads the agent file, over which flags win, and which wins over the
// environment.
func (c *course) read() (*vigil.Plan, error) {
	plan, err := vigil.ReadPlan(c.config, os.ReadFile)
	if err != nil {
		return nil, err
	}
	plan.State, plan.SpoolBytes = cmp.Or(c.given, plan.State), cmp.Or(int64(c.spoolLimit), plan.SpoolBytes)
	if plan.Collector = cmp.Or(c.collector, plan.Collector, os.Getenv("WITNESSMARK_COLLECTOR")); plan.Collector == "" {
		return plan, witnessable(plan)
	}
	return plan, collect.CheckAddress(plan.Collector) // it may be enrolled while the agent runs
}

// identify gives the plan the rig's name and key.
func (c *course) identify(p *vigil.Plan) (err error) {
	if err = c.name(p); err == nil {
		p.Key, err = c.loadKey()
	}
	return err
}

// name gives the plan the rig's name, and refuses what is of another rig.
func (c *course) name(p *vigil.Plan) error {
	destination := cmp.Or(p.Collector, spool.Embedded)
	id, member := c.enrolled(destination)
	p.Name = cmp.Or(p.Rig, labelled(p.Setup))
	switch {
	case member && p.Name != "" && p.Name != id.Name:
		return screen.Wrong(fault.New("agent file", c.config, fmt.Errorf("it is for rig %s, and this machine is rig %s with the collector %s", p.Name, id.Name, destination)).
			WithHint("leave rig out of it and name setups of " + id.Name + ", or enrol this machine anew as " + p.Name))
	case p.Name == "":
		if err := c.unnamed(p, destination); err != nil {
			return err
		}
	}
	for _, set := range setupsOf(p) {
		if set.Rig != "" && set.Rig != p.Name {
			return screen.Wrong(fault.New("setup file", set.File, fmt.Errorf("it is for rig %s, and this is %s", set.Rig, p.Name)).
				WithHint("name a setup of this rig in the agent file"))
		}
	}
	return nil
}

// unnamed names a rig of which the file says nothing. While its certificates cannot
// be read it has no name: the machine's own may be another.
func (c *course) unnamed(p *vigil.Plan, destination string) error {
	err := c.readable(destination)
	if err == nil {
		p.Name, err = c.rigName(destination, "", nil, c.tree)
	}
	if errors.Is(err, errNameless) {
		err = screen.Wrong(fault.New("agent file", c.config, errors.New("neither it nor the setup nor the machine names the rig")).WithHint(`add rig = "NAME" to it`))
	}
	return err
}

func labelled(s *setup.Setup) string {
	if s == nil {
		return ""
	}
	return s.Rig
}

func setupsOf(p *vigil.Plan) (all []*setup.Setup) {
	if p.Setup != nil {
		all = append(all, p.Setup)
	}
	for _, f := range p.Folders {
		if f.Setup != nil {
			all = append(all, f.Setup)
		}
	}
	return all
}

// readable says why it cannot be told who this rig is with a destination.
func (c *course) readable(destination string) error {
	if destination == spool.Embedded {
		return nil
	}
	dir, err := c.path("")
	if err == nil {
		_, err = collect.Who(dir)
	}
	return err
}

// reload has the agent go by what the file says now.
func (c *course) reload(ctx context.Context, v *vigil.Vigil) (*vigil.Plan, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	next, err := c.read()
	if err == nil {
		err = c.identify(next)
	}
	if err == nil {
		_, err = v.Reload(ctx, next)
	}
	if err == nil {
		c.plan = next
	}
	return next, err
}

// How often the agent looks who it was enrolled as and with which key, and how often
// it goes on with a change of key that waits for collectors.
const (
	identityEvery = 5 * time.Second
	rekeyEvery    = 2 * time.Minute
)

// follow has the agent go by the name that the rig is enrolled under and by the key
// that it has while it runs, and tells of each change.
func (c *course) follow(ctx context.Context, v *vigil.Vigil, tell func(was, next *vigil.Plan)) {
	tick := time.NewTicker(identityEvery)
	defer tick.Stop()
	for {
		if err := c.rekey(ctx); ctx.Err() == nil && !errors.Is(err, collect.ErrRekeying) {
			v.Trouble("rig's next key", err)
		}
		was, next, err := c.change(ctx, v)
		if ctx.Err() != nil {
			return
		}
		if v.Trouble("rig's name", err); err == nil && next != nil {
			tell(was, next)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// rekey goes on with a change of the rig's key that agent rekey has left, now and
// then; its error is why that still waits.
func (c *course) rekey(ctx context.Context) error {
	dir, err := c.path("")
	switch {
	case err != nil:
		return err
	case !collect.NextKey(dir):
		c.rekeyAt = time.Time{}
		return nil
	case time.Now().Before(c.rekeyAt):
		return collect.ErrRekeying
	}
	_, err = collect.RotateKey(ctx, dir)
	if !errors.Is(err, collect.ErrRekeying) {
		c.rekeyAt = time.Now().Add(rekeyEvery)
	}
	return err
}

// signs says whether a key is the rig's yet. While another comes next somewhere, it
// is, and when the file cannot be read.
func (c *course) signs(key ed25519.PrivateKey) bool {
	path, err := c.path("key.pem")
	if err != nil {
		return true
	}
	now, err := collect.LoadKey(path, false)
	return err != nil || now.Equal(key)
}

// change goes over to another name or key, if there is one; the plans are nil when
// there is none.
func (c *course) change(ctx context.Context, v *vigil.Vigil) (was, next *vigil.Plan, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	id, ok := c.enrolled(cmp.Or(c.plan.Collector, spool.Embedded))
	if !ok || id.Name == c.plan.Name && c.signs(c.plan.Key) {
		return nil, nil, nil
	}
	plan := *c.plan
	if err := c.identify(&plan); err != nil || plan.Name != id.Name {
		return nil, nil, err
	}
	if _, err := v.Reload(ctx, &plan); err != nil {
		return nil, nil, err
	}
	was, c.plan = c.plan, &plan
	return was, &plan, nil
}
