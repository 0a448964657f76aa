package collect

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/follow"
	"witnessmark/internal/setup"
	"witnessmark/internal/trail"
	"witnessmark/internal/trust"
)

// The files of a copy, beside its archive.
const (
	witnessFile = "witness.key"
	sourceDir   = "source" // what was seen of the source's trail, and alarms
)

// Following says what is copied, and where to.
type Following struct {
	Dir    string // of the copy
	Source string // the collector's address
	Key    string // of its trail; "" takes the one of the first meeting
	Listen string // where the copy is served; "" for nowhere
	Once   bool   // end when nothing is left to copy
	// Limits are of what is taken with one entry; without them deliver.DefaultLimits.
	Limits deliver.Limits
	Log    *slog.Logger
	Dial   func(address string) (*Connection, error)
	// As gives the witness that the copy is served by, to the members of the source;
	// nil, or false, serves it to its owner alone. It is asked at each connection.
	As func() (trust.Identity, bool)
	// Ready is called once the copy is served, and Witness with the key that it signs
	// heads with.
	Ready   func(address string)
	Witness func(key string)
	// Progress, unless it is nil, is told how far the copy has come.
	Progress func(done, of int64)
}

// copier is a copy that is being made.
type copier struct {
	Following
	*Collector
	conn     *Connection
	follower *follow.Follower
	witness  ed25519.PrivateKey
	name     string
	key      string // of the witness
	signed   []byte // the head that was signed last, by both
	cosigned int64  // the size of the one that was brought to the source last
}

// LimitsFor are those of a copy that takes runs whose record, and whose files together,
// have up to so many bytes. As many may come in one step as a collector
// that takes such runs has in memory at once.
func LimitsFor(largest int64) deliver.Limits {
	l := deliver.DefaultLimits
	l.Record, l.Parts, l.Count, l.InFlight = largest, largest, setup.MostAttachments, max(l.InFlight, 2*largest)
	return l
}

// Follow copies a collector's trail and records, signs its heads as a witness, and
// serves the copy to be read, until ctx ends. An alarm over the source's trail ends
// the copying, not the serving; it is then the error.
func Follow(ctx context.Context, f Following) (err error) {
	conn, err := f.Dial(f.Source)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	a, err := f.begin(ctx, conn)
	if err != nil {
		return err
	}
	c := &copier{Following: f, Collector: New(a, time.Now, f.Log), conn: conn}
	c.copyOf, c.dir = f.Source, f.Dir
	all := true
	defer func() { err = errors.Join(err, c.leave(all)) }()
	if err := c.prepare(ctx); err != nil {
		return err
	}
	if f.Witness != nil {
		f.Witness(c.key)
	}
	if f.Listen == "" {
		err := c.copyAndSign(ctx)
		if now, _, e := c.archive.Head(); err == nil && e == nil && ctx.Err() == nil {
			f.Log.Info("copied", "entries", now.Size, "copy", f.Dir, "of", f.Source)
		}
		return err
	}
	if err := f.serves(time.Now()); err != nil {
		f.As = nil
		f.Log.Warn("the copy is served to its owner alone", what("copy", f.Dir, err)...)
	}
	copying, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- c.copyAndSign(copying) }()
	with := serving{limits: func() deliver.Limits { return deliver.DefaultLimits }, floor: func() setup.Floor { return setup.DefaultFloor }, as: f.As}
	all, err = c.listenAt(ctx, f.Dir, f.Listen, f.Ready, with)
	stop()
	return errors.Join(<-ended, err)
}

// copyAndSign copies, and signs the heads that the copy comes to, while ctx lasts.
func (c *copier) copyAndSign(ctx context.Context) error {
	signing, stop := context.WithCancel(ctx)
	signed := make(chan struct{})
	go func() { defer close(signed); c.sign(signing) }()
	err := c.copy(ctx)
	stop()
	<-signed
	if err == nil && ctx.Err() == nil {
		err = c.cosign(ctx)
	}
	return err
}

// signEvery is how often a head is signed at most.
const signEvery = time.Second

func (c *copier) sign(ctx context.Context) {
	told := false
	for t := time.NewTicker(signEvery); ; {
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-t.C:
		}
		err := c.cosign(ctx)
		if err != nil && !told && ctx.Err() == nil && !errors.Is(err, follow.ErrUnreachable) { // of which copying tells
			c.log.Warn("the witness's signature does not reach the source", what("source", c.Source, err)...)
		}
		told = err != nil
	}
}

// begin opens the copy, beginning it when it is new.
func (f Following) begin(ctx context.Context, conn grpc.ClientConnInterface) (*archive.Archive, error) {
	path := filepath.Join(f.Dir, ArchiveFile)
	if _, err := os.Stat(filepath.Join(f.Dir, keyFile)); err == nil {
		return nil, fault.New("follow", f.Dir, errors.New("the archive there has a trail of its own")).WithHint("name another folder for the copy with --data DIR")
	}
	if _, err := os.Stat(path); err == nil {
		a, err := openCopy(path, f.Key, nil)
		if !errors.Is(err, archive.ErrNotBegun) {
			return a, err
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, fault.New("follow", path, err)
	}
	start, err := follow.Ask(ctx, conn, f.Source)
	if err != nil {
		return nil, err
	}
	key := start.Line.Present()
	if f.Key != "" {
		ok, err := start.Line.From(f.Key)
		if err == nil && !ok {
			err = fmt.Errorf("its trail is signed with %s, and not with the key that was named", key)
		}
		if err != nil {
			return nil, fault.New("follow", f.Source, err).WithHint("look whether the address or the key is the wrong one")
		}
	}
	if err := os.MkdirAll(f.Dir, 0o700); err != nil {
		return nil, fault.New("follow", f.Dir, err)
	}
	return openCopy(path, key, start.Empty, start.Successions...)
}

// openCopy is [archive.OpenFollowing] that says of a damaged copy what becomes of it:
// its source has what a backup would bring.
func openCopy(path, key string, empty []byte, successions ...[]byte) (*archive.Archive, error) {
	a, err := archive.OpenFollowing(path, key, empty, archive.Options{Now: time.Now, Wait: 2 * time.Second, MapSize: mapSize()}, successions...)
	var said *fault.Error
	if errors.Is(err, archive.ErrDamaged) && errors.As(err, &said) {
		err = fault.New("open copy", path, said.Why).
			WithHint("move that file into another folder, where what is whole of it can be read, and the next collector follow begins a new copy")
	}
	return a, err
}

func (c *copier) prepare(ctx context.Context) (err error) {
	path := filepath.Join(c.Dir, witnessFile)
	_, err = os.Stat(path)
	if c.witness, err = LoadKey(path, errors.Is(err, fs.ErrNotExist)); err != nil {
		return err
	}
	c.name = "witness.witnessmark.example/" + fingerprint(c.witness)
	if c.key, err = trail.WitnessKey(c.name, c.witness.Public().(ed25519.PublicKey)); err != nil {
		return err
	}
	seen, err := audit.Open(filepath.Join(c.Dir, sourceDir), time.Now)
	if err != nil {
		return err
	}
	seen.OnSuccession(func(collector, from, to string) {
		c.log.Info("another key signs the source's trail, as the one before it has signed", "source", collector, "key", to, "before", from)
	})
	if err := c.another(ctx, seen); err != nil {
		return err
	}
	if err := seen.Pin(c.Source, c.archive.VerifierKey()); err != nil {
		return err
	}
	if c.Limits == (deliver.Limits{}) {
		c.Limits = deliver.DefaultLimits
	}
	c.follower = &follow.Follower{
		Source: c.Source, Copy: c.archive, Auditor: seen, Limits: c.Limits, Once: c.Once, Step: c.stepped,
	}
	return nil
}

// another refuses a collector at an address that was never followed when its trail is
// not even of the name of the one that was copied: that is a slip, and no alarm.
func (c *copier) another(ctx context.Context, seen *audit.Auditor) error {
	known, err := seen.Memories()
	if err != nil || slices.ContainsFunc(known, func(m audit.Memory) bool { return m.Collector == c.Source }) {
		return err
	}
	within, done := context.WithTimeout(ctx, 10*time.Second)
	defer done()
	x, err := deliver.AskHead(within, c.conn)
	if err != nil {
		return nil // which copying tells
	}
	if name, _, _ := strings.Cut(x.VerifierKey, "+"); name != c.archive.Origin() {
		return fault.New("follow", c.Source, fmt.Errorf("its trail is %s, and the copy in %s is of %s", name, c.Dir, c.archive.Origin())).
			WithHint("name the address of the collector that was copied, or another folder with --data DIR")
	}
	return nil
}

const (
	againAfter = 200 * time.Millisecond
	againMost  = 5 * time.Second
	doubtMost  = time.Minute // as what does not hold costs the source a step each time
)

// copy follows the source over connections that break. All but an alarm is tried
// again: it may be mended at the source, on the way or here.
func (c *copier) copy(ctx context.Context) error {
	told, wait := "", againAfter
	c.follower.Met = func() {
		if told != "" {
			c.log.Info("copying again", "source", c.Source)
		}
		told, wait = "", againAfter
	}
	for {
		err := c.follower.Follow(ctx, c.conn)
		switch {
		case errors.Is(err, audit.ErrAlarm): // also while it stops
			if err = c.explained(err); !c.Once { // which ends with it
				c.log.Error("copying ends: the source's trail is not the one that was copied", what("copy", c.Dir, err)...)
			}
			c.lacks(err)
			return err
		case err == nil, ctx.Err() != nil:
			return nil
		case c.Once:
			return err
		case err.Error() != told:
			c.log.Warn("not copied; trying again", what("source", c.Source, err)...)
			told = err.Error()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		most := againMost
		if errors.Is(err, follow.ErrDoubt) {
			most = doubtMost
		}
		wait = min(2*wait, most)
	}
}

// lacks tells what the copy has and a source that was rolled back has not. Whether what
// the source has is at least the copy's beginning, the copy knows by its own tree.
func (c *copier) lacks(err error) {
	var a audit.Alarm
	if !errors.As(err, &a) || a.Seen.Key != a.Now.Key {
		return
	}
	own, _, shown, err := c.archive.Extends([][]byte{[]byte(a.Now.Note)})
	if err != nil || !shown[0].Signed || a.Now.Size >= own.Size {
		return
	}
	if !shown[0].Ours {
		c.log.Warn("what the source has is not what the copy begins with", "entries", a.Now.Size)
		return
	}
	if first, err := c.archive.CopyEntry(a.Now.Size); err == nil {
		c.log.Warn("the copy has what its source lacks", "entries", own.Size-a.Now.Size, "since", first.Entry.At.UTC().Format(time.RFC3339))
	}
}

// what is an error as a log tells of it, beside what it is about.
func what(key, of string, err error) []any {
	out := []any{key, of, "error", err}
	if h := fault.HintOf(err); h != "" {
		out = append(out, "hint", h)
	}
	return out
}

// alarm is one of package audit with what a follower's keeper is to do.
type alarm struct {
	audit.Alarm
	dir string // of the copy
}

func (a alarm) Unwrap() error { return a.Alarm }

func (a alarm) Hint() string {
	return a.HintTo("the copy stays as it is and can be read", fmt.Sprintf("collector follow accept %s --why TEXT --data %s", a.Name, a.dir))
}

func (c *copier) explained(err error) error {
	var a audit.Alarm
	if errors.As(err, &a) {
		return alarm{a, c.Dir}
	}
	return err
}

// stepped tells who waits that the copy has grown.
func (c *copier) stepped(now trail.Head, of int64) {
	c.news.ring()
	c.rollMoved(context.Background())
	if c.Progress != nil {
		c.Progress(now.Size, of)
	}
}

// cosign signs the copy's head beside the source, keeps that and brings it there.
func (c *copier) cosign(ctx context.Context) error {
	now, signed, err := c.archive.Head()
	if err != nil || now.Size == c.cosigned {
		return err
	}
	if !bytes.HasPrefix(c.signed, signed) { // else it did not reach the source before
		if c.signed, err = c.witnessed(signed); err != nil {
			return err
		}
	}
	within, done := context.WithTimeout(ctx, 10*time.Second)
	defer done()
	if err := follow.Cosign(within, c.conn, c.key, c.signed); err != nil {
		return err
	}
	c.cosigned = now.Size
	return nil
}

// witnessed signs a head beside its signatures, and keeps it.
func (c *copier) witnessed(head []byte) (both []byte, err error) {
	known, err := c.archive.Verifiers()
	if err != nil {
		return nil, err
	}
	s, err := trail.NewCosigner(c.name, c.witness, time.Now())
	if err != nil {
		return nil, err
	}
	if both, err = trail.Cosign(head, known, s); err == nil {
		err = c.archive.AddCosigned(c.key, both)
	}
	if err != nil {
		return nil, err
	}
	return both, nil
}
