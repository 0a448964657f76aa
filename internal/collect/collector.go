package collect

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/follow"
	"witnessmark/internal/judge"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// Collector keeps deliveries and answers from what it kept.
type Collector struct {
	archive *archive.Archive
	now     func() time.Time
	log     *slog.Logger
	reading chan struct{} // held while logs are read
	agree   agreements
	heads   *heads // nil without a folder
	beats   beats
	copyOf  string // the collector that this one follows; "" for one of its own
	news    bell   // rings for what FollowFlags gives, and for who follows
	calls   *calls
	pulse   pulse
	metrics *Metrics
	door    *door
	room    *room
	told    atomic.Bool  // that the disk is short of room
	damaged sync.Once    // the log says that the archive is
	held    func() int64 // bytes of deliveries under way; set by Server
	dir     string       // "" without a folder
	roll    roll
	guests  guests

	certifying certifying
	refusals   refusals
	rekeying   sync.Mutex
}

var (
	_ deliver.Taker  = (*Collector)(nil)
	_ answer.Book    = (*Collector)(nil)
	_ deliver.Hearer = (*Collector)(nil)
)

// readers is how many deliveries are read and judged at once; each takes several
// times the size of its logs.
const readers = 2

// New assembles a collector over an open archive.
func New(a *archive.Archive, now func() time.Time, log *slog.Logger) *Collector {
	c := &Collector{
		archive: a, now: now, log: log, reading: make(chan struct{}, readers), beats: beats{started: now()},
		metrics: newMetrics(), calls: newCalls(), refusals: refusals{log: log},
	}
	c.door = newDoor(usualBounds, c.metrics)
	c.room = roomOf(a.Path(), now)
	c.watchArchive()
	return c
}

// Known implements deliver.Taker.
func (c *Collector) Known(ctx context.Context, sum [sha256.Size]byte) (deliver.Reply, bool, error) {
	id, ok, err := c.archive.ByHash(sum)
	if err != nil || !ok {
		return deliver.Reply{}, false, err
	}
	r, err := c.reply(ctx, id)
	if err == nil {
		c.metrics.deliveries.WithLabelValues(knownAlready).Inc()
	}
	return r, err == nil, err
}

func (c *Collector) reply(ctx context.Context, id string) (deliver.Reply, error) {
	st, err := c.archive.Run(id)
	if err != nil {
		return deliver.Reply{}, err
	}
	s, err := summaryOf(st.Summary, st.Retractions)
	if err == nil {
		err = trust.Owns(ctx, s.Rig, "the record")
	}
	return deliver.Reply{Receipt: st.Receipt, Judgement: s.Judgement}, err
}

// Take implements deliver.Taker: decode, describe, judge, keep.
func (c *Collector) Take(ctx context.Context, d deliver.Delivery) (deliver.Reply, error) {
	if err := c.mayKeep(); err != nil {
		return deliver.Reply{}, deliver.As(deliver.CutBack, err)
	}
	if err := trust.Owns(ctx, d.Run.Rig, "the record"); err != nil {
		return deliver.Reply{}, err
	}
	k, s, err := c.keeping(ctx, d)
	if err != nil {
		return deliver.Reply{}, err
	}
	kept, err := c.archive.Keep(ctx, k)
	c.room.wrote(err)
	switch {
	case durable.Full(err):
		s, _ := c.room.look(0, 0)
		c.tellRoom(s)
		return deliver.Reply{}, deliver.As(deliver.NoRoom, fmt.Errorf("%w: the run waits at its rig: %w", errNoRoom, err))
	case errors.Is(err, archive.ErrConflict), errors.Is(err, trail.ErrMalformed):
		return deliver.Reply{}, fmt.Errorf("%w: %w", deliver.ErrRefused, err)
	case err != nil && ctx.Err() != nil:
		c.log.Info("delivery broken off", "run", k.ID, "rig", k.Labels.Rig, "why", context.Cause(ctx))
		return deliver.Reply{}, err
	case err != nil:
		c.log.Error("record not kept", "run", k.ID, "rig", k.Labels.Rig, "error", err)
		return deliver.Reply{}, err
	case !kept.Fresh:
		c.metrics.deliveries.WithLabelValues(knownAlready).Inc()
		return c.reply(ctx, k.ID)
	}
	c.metrics.deliveries.WithLabelValues(keptNow).Inc()
	c.metrics.raised(s.Judgement.Flags)
	c.log.Info("record kept", "run", k.ID, "rig", k.Labels.Rig, "workload", k.Labels.Workload,
		"standing", k.Labels.Standing, "index", kept.Receipt.Index)
	c.noteHead()
	return deliver.Reply{Receipt: kept.Receipt, Judgement: s.Judgement}, nil
}

func (c *Collector) keeping(ctx context.Context, d deliver.Delivery) (archive.Keeping, answer.Summary, error) {
	select {
	case c.reading <- struct{}{}:
	case <-ctx.Done():
		return archive.Keeping{}, answer.Summary{}, context.Cause(ctx)
	}
	defer func() { <-c.reading }()
	read := judge.Read(d.Run, d.Parts)
	k := follow.Keeping(d.Run, d.Signed, d.Parts, read)
	in, err := c.input(ctx, d, read.Found(), read.Statistics)
	if err != nil {
		return k, answer.Summary{}, err
	}
	j := drift.Judge(in)
	j.At = c.now().UTC()
	s := answer.Summarise(d.Run, d.Signed.SHA256(), read.Statistics, j)
	k.Labels = follow.LabelsOf(s)
	k.Summary, err = s.Marshal()
	return k, s, err
}

// input gathers what the run is judged by.
func (c *Collector) input(ctx context.Context, d deliver.Delivery, logs []drift.Log, st answer.Statistics) (drift.Input, error) {
	r := d.Run
	in := judge.Input(r, logs)
	in.Run.Key = record.Fingerprint(d.Signed.PublicKey)
	declared, err := judge.Setup(r)
	if err != nil {
		return in, fmt.Errorf("%w: %w", deliver.ErrRefused, err)
	}
	label := ""
	if declared != nil {
		in.Setup, label = declared, declared.Label
	}
	m, snap, err := c.Mark(ctx, r.Rig, label)
	if err != nil {
		return in, err
	}
	if in.Series, err = c.past(ctx, r, st, label, m); ctx.Err() != nil {
		return in, context.Cause(ctx) // the rig sends it again, and it is judged by all there is
	} else if err != nil {
		// What is wrong with an earlier run must not keep this one out.
		c.log.Warn("outcome not held against its series", "run", r.ID, "rig", r.Rig, "error", err)
		in.Series = nil
	}
	if m != nil {
		in.Mark = &drift.Mark{RunID: m.RunID, Snapshot: snap}
	}
	last, err := c.archive.LastKey(r.Rig)
	if err != nil {
		return in, err
	}
	if last == nil {
		return in, nil
	}
	in.LastKey = record.Fingerprint(last)
	// A key that signed for its successor is of the same machine.
	if same, err := c.archive.Succeeds(r.Rig, last, d.Signed.PublicKey); err != nil {
		return in, err
	} else if same {
		in.LastKey = in.Run.Key
	}
	return in, nil
}

// Rigs implements answer.Book.
func (c *Collector) Rigs(context.Context) ([]answer.RigSummary, error) {
	rigs, err := c.archive.Rigs()
	var out []answer.RigSummary
	for _, r := range rigs {
		sum := sha256.Sum256(r.Key)
		out = append(out, answer.RigSummary{
			Name: r.Name, Runs: r.Runs, LastRun: r.LastRun, LastStarted: r.LastStarted, LastSetup: r.LastSetup,
			LastStanding: r.LastStanding, KeySHA256: sum[:], MarkedSetups: r.Marked, Played: r.Played,
		})
	}
	if err != nil {
		return nil, err
	}
	return c.withBeats(out), nil
}

// Runs implements answer.Book.
func (c *Collector) Runs(ctx context.Context, q answer.Query, yield func(answer.Summary) error) error {
	return c.archive.Runs(ctx, archive.Query(q), func(r archive.Row) error {
		s, err := summaryOf(r.Summary, r.Retractions)
		if err != nil {
			return fault.New("list runs", r.ID, err)
		}
		return yield(s)
	})
}

// Show implements answer.Book.
func (c *Collector) Show(_ context.Context, id string) (answer.Detail, error) {
	id, err := c.resolve(id)
	if err != nil {
		return answer.Detail{}, err
	}
	st, err := c.archive.Run(id)
	if err != nil {
		return answer.Detail{}, meaning(err)
	}
	s, err := summaryOf(st.Summary, st.Retractions)
	return answer.Detail{Summary: s, Signed: st.Signed, Receipt: st.Receipt}, err
}

// resolve finds the run that the letters mean.
func (c *Collector) resolve(id string) (string, error) {
	id, err := c.archive.Resolve(id)
	return id, meaning(err)
}

// meaning gives an archive's error the sentinel that survives the network.
func meaning(err error) error {
	switch {
	case errors.Is(err, archive.ErrNotFound):
		return sentinel{err, answer.ErrNotFound}
	case errors.Is(err, archive.ErrAmbiguous):
		return sentinel{err, answer.ErrAmbiguous}
	case errors.Is(err, archive.ErrRetracted), errors.Is(err, archive.ErrNotOfTrail):
		return sentinel{err, answer.ErrState}
	}
	return err
}

type sentinel struct {
	error
	kind error
}

func (s sentinel) Unwrap() []error { return []error{s.error, s.kind} }
func (s sentinel) Hint() string    { return fault.HintOf(s.error) }

// Attachment implements answer.Book.
func (c *Collector) Attachment(ctx context.Context, id, name string) ([]byte, error) {
	d, err := c.Show(ctx, id)
	if err != nil {
		return nil, err
	}
	r, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		return nil, err
	}
	if name == "" {
		if len(r.Logs) != 1 {
			return nil, sentinel{fault.New("read timing log", r.ID, fmt.Errorf("the run has %d timing logs", len(r.Logs))).
				WithHint("name one of its attachments: " + names(r)), answer.ErrNotFound}
		}
		name = r.Logs[0].Attachment
	}
	i := slices.IndexFunc(r.Attachments, func(a record.Attachment) bool { return a.Name == name })
	if i < 0 {
		return nil, sentinel{fault.New("read attachment", r.ID+" "+name, archive.ErrNotFound).
			WithHint("its attachments are: " + names(r)), answer.ErrNotFound}
	}
	b, err := c.archive.Part(r.ID, name)
	if err == nil && sha256.Sum256(b) != r.Attachments[i].SHA256 {
		err = fault.New("read attachment", r.ID+" "+name, errors.New("what is kept is not what the record binds")).WithHint(archive.CheckHint)
	}
	if err != nil {
		return nil, err
	}
	return b, nil
}

func names(r *record.Run) (s string) {
	for i, a := range r.Attachments {
		if i > 0 {
			s += ", "
		}
		s += a.Name
	}
	if s == "" {
		return "none"
	}
	return s
}

// AcceptMark implements answer.Book.
func (c *Collector) AcceptMark(ctx context.Context, id, by, why string) (answer.Mark, trail.Receipt, error) {
	if err := c.mayKeep(); err != nil {
		return answer.Mark{}, trail.Receipt{}, err
	}
	d, err := c.Show(ctx, id)
	if err != nil {
		return answer.Mark{}, trail.Receipt{}, err
	}
	by = deciding(ctx, by)
	m, receipt, err := c.archive.AcceptMark(archive.Mark{Rig: d.Summary.Rig, Setup: d.Summary.Setup, RunID: d.Summary.ID, By: by, Why: why}, d.Signed.Bytes)
	if err != nil {
		return answer.Mark{}, receipt, err
	}
	c.log.Info("mark accepted", "rig", m.Rig, "setup", m.Setup, "run", m.RunID, "by", by)
	c.noteHead()
	c.rejudge(ctx, m.Rig, m.Setup)
	return markOf(m), receipt, nil
}

// Mark implements answer.Book.
func (c *Collector) Mark(ctx context.Context, rigName, label string) (*answer.Mark, rig.Snapshot, error) {
	if err := trust.Owns(ctx, rigName, "the mark"); err != nil {
		return nil, rig.Snapshot{}, err
	}
	m, ok, err := c.archive.Mark(rigName, label)
	if err != nil || !ok {
		return nil, rig.Snapshot{}, err
	}
	st, err := c.archive.Run(m.RunID)
	if err != nil {
		return nil, rig.Snapshot{}, err
	}
	r, err := record.Decode(st.Signed.Bytes)
	if err != nil {
		return nil, rig.Snapshot{}, err
	}
	k := markOf(m)
	return &k, r.Before, nil
}

func markOf(m archive.Mark) answer.Mark {
	return answer.Mark{Rig: m.Rig, Setup: m.Setup, RunID: m.RunID, At: m.At, By: m.By, Why: m.Why}
}
