package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Finding is one thing that is wrong with an archive.
type Finding struct {
	Where string // a page, entry, run or row
	What  string
}

func (f Finding) String() string { return f.Where + ": " + f.What }

// Examined is one run as an examination comes by it, its bytes in order so far.
type Examined struct {
	Run     *record.Run
	SHA256  [32]byte
	Labels  Labels // with the standing it was judged
	Summary []byte
	Parts   map[string][]byte // attachments that are what the record binds, by name
	Series  map[string][]byte // encoded durations, by the log's name
}

// Examination is what goes with a look through a whole archive.
type Examination struct {
	Found func(Finding)
	// Progress is told how far it has come: while the pages are read how many were,
	// with a total of 0, and then of the rest. It is nil when nobody looks.
	Progress func(done, total int64)
	Run      func(Examined) (wrong []string) // looks deeper; nil for no deeper
}

// Checked says what a check went through.
type Checked struct {
	Runs        int
	Entries     int64            // of the trail
	VerifierKey string           // that its heads are signed with; "" when it could not be read
	Keys        []trail.KeySince // that have signed them, one after the other
}

// Examine goes through the whole archive: each byte of its pages is as bbolt
// would write it, its tree follows from its leaves and gives the signed head,
// every run's bytes are what its entry, receipt and signature say, runs and rows
// belong to each other one to one, and every derived value follows from what it
// is derived of. It lets others write: it looks at the pages at one moment, at the
// trail and all rows at another, and then at each run by itself, so that no
// transaction keeps the pages of all that long from being used again. What it says is
// of the head and the runs that it found; those that come later are not looked at, or
// it would not end while they come as fast. The error says that it did not come to its
// end.
func (a *Archive) Examine(ctx context.Context, x Examination) (n Checked, err error) {
	defer func() { n.VerifierKey = cmp.Or(n.VerifierKey, a.VerifierKey()) }()
	var w *walk
	err = a.moment(func(tx *bolt.Tx) (err error) {
		w, err = walkFile(ctx, a.db.file, uint64(tx.ID()), x)
		return err
	})
	switch {
	case err != nil:
	case w.unsafe:
		a.met(damaged(a.path, errors.New("a check lists its pages")))
	default:
		n, err = a.content(ctx, x)
	}
	err = a.damageFound(err, x)
	if err != nil && ctx.Err() == nil {
		err = fault.New("check archive", a.path, err)
	}
	return n, err
}

// damageFound makes a finding of damage that ends an examination.
func (a *Archive) damageFound(err error, x Examination) error {
	if !errors.Is(err, ErrDamaged) {
		return err
	}
	x.Found(Finding{"file", a.met(err).Error()})
	return nil
}

// walkFile walks the pages of one transaction, the last one's for 0.
func walkFile(ctx context.Context, f *os.File, tx uint64, x Examination) (*walk, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	w := &walk{r: f, size: info.Size(), wrong: func(what string, err error) { x.Found(Finding{what, err.Error()}) }}
	if x.Progress != nil {
		w.progress = func(pages int64) { x.Progress(pages, 0) }
	}
	err = w.run(ctx, tx)
	if err != nil && !errors.Is(err, errOtherTx) && ctx.Err() == nil {
		x.Found(Finding{"file", err.Error()})
		err = nil
	}
	return w, err
}

// ExamineFile is Examine for a file that no process serves, which it opens only
// to read. The heads must be signed by the key, or for "" by the one that the
// archive names itself. Of a file that is damaged too far for bbolt only the
// pages are looked at. A file that another process has open gives ErrBusy.
func ExamineFile(ctx context.Context, path, key string, x Examination) (n Checked, err error) {
	const hint = "name the file of an archive, or of a backup"
	f, err := os.Open(path)
	if err != nil {
		return n, fault.New("check archive", path, err).WithHint(hint)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return n, fault.New("check archive", path, errors.New("it is a folder")).WithHint(hint)
	}
	db, err := openFile(path, time.Second, &bolt.Options{ReadOnly: true}) // which keeps writers out
	if errors.Is(err, ErrBusy) {
		return n, err
	}
	var a *Archive
	if err == nil {
		a = newArchive(db, nil)
		defer a.shut()
	}
	w, walked := walkFile(ctx, f, 0, x)
	if walked != nil || w.unsafe {
		return n, walked
	}
	if err == nil {
		err = a.learn(key)
	}
	if err != nil {
		x.Found(Finding{"archive", bare(err).Error()})
		return n, nil
	}
	n, err = a.content(ctx, x)
	n.VerifierKey = cmp.Or(n.VerifierKey, a.VerifierKey())
	return n, a.damageFound(err, x)
}

// Check is Examine with all that is wrong joined in one error.
func (a *Archive) Check(ctx context.Context) (Checked, error) {
	var bad []error
	n, err := a.Examine(ctx, Examination{Found: func(f Finding) { bad = append(bad, errors.New(f.String())) }})
	if err == nil && len(bad) > 0 {
		err = fault.New("check archive", a.path, errors.Join(bad...))
	}
	return n, err
}

// content looks at what the pages hold.
func (a *Archive) content(ctx context.Context, x Examination) (n Checked, err error) {
	c := &check{archive: a, ctx: ctx, Examination: x}
	all := false
	err = c.within("archive", func() error {
		if all = c.buckets(); !all {
			return nil
		}
		c.each(bRuns, func(id, _ []byte) { c.kept = append(c.kept, string(id)) })
		c.meta()
		n.Entries = c.trail()
		c.rows()
		c.marks()
		c.setups()
		c.cosignedHeads()
		c.cosigners()
		c.restores()
		c.successions()
		c.beats()
		c.news()
		c.keys()
		c.certificates()
		n.VerifierKey = a.keyIn(c.tx)
		n.Keys, _ = a.keysSince(c.tx) // what is wrong with them is told of
		return nil
	})
	if err == nil && all {
		n.Runs, err = c.runs()
		c.step(c.total - c.done)
	}
	return n, cmp.Or(err, context.Cause(ctx))
}

// within calls f with a transaction. What damage makes in bbolt after all is a finding,
// as is what ends f otherwise; the check goes on as long as bbolt gives transactions.
func (c *check) within(where string, f func() error) error {
	err := c.archive.view(func(tx *bolt.Tx) error {
		defer func() {
			if p := recover(); p != nil {
				c.wrong(where, "it cannot be read to its end: %v", p)
			}
		}()
		c.tx = tx
		return whole(c.archive.path, f)
	})
	if errors.Is(err, ErrDamaged) && !c.archive.stuck.Load() {
		c.wrong(where, "%v", bare(err))
		return nil
	}
	return err
}

// bare gives why of an error that says what was done, and to which file.
func bare(err error) error {
	if said := (*fault.Error)(nil); errors.As(err, &said) {
		return said.Why
	}
	return err
}

// check is one examination under way.
type check struct {
	Examination
	archive     *Archive
	tx          *bolt.Tx
	line        trail.Line // the trail's keys
	ctx         context.Context
	done, total int64
	kept        []string       // the runs that are looked at
	rigs        map[string]Rig // as they follow from the runs
	marked      int            // entries about marks
	restored    int            // about restores
	setUp       int            // about setups
	keyed       int            // about keys
	succeeded   int            // about keys of the trail
	certified   int            // and about certificates
}

// wrong tells of a finding; of errors that are joined each is one.
func (c *check) wrong(where string, format string, args ...any) {
	for what := range strings.SplitSeq(fmt.Sprintf(format, args...), "\n") {
		c.Found(Finding{where, what})
	}
}

func (c *check) step(n int64) {
	if c.done = min(c.done+n, c.total); c.Progress != nil && c.total > 0 {
		c.Progress(c.done, c.total)
	}
}

// buckets holds the list of buckets against the one that there should be.
func (c *check) buckets() bool {
	known := map[string]bool{}
	whole := true
	for _, b := range laterBuckets {
		known[string(b)] = true
	}
	for _, b := range allBuckets {
		known[string(b)] = true
		if c.tx.Bucket(b) == nil {
			c.wrong("bucket "+string(b), "it is missing")
			whole = false
		}
	}
	err := c.tx.ForEach(func(name []byte, b *bolt.Bucket) error {
		switch {
		case !known[string(name)]:
			c.wrong("bucket "+string(name), "nothing of this program is in it")
		case b.Sequence() != 0 && !sequenced(name):
			c.wrong("bucket "+string(name), "it counts %d", b.Sequence())
		}
		return nil
	})
	if err != nil {
		c.wrong("buckets", "%v", err)
	}
	if whole {
		if c.line, err = c.archive.line(c.tx); err != nil {
			c.wrong("successions", "%v", err)
		}
	}
	return whole && err == nil
}

func sequenced(bucket []byte) bool {
	return string(bucket) == string(bMarks) || string(bucket) == string(bNews)
}

func (c *check) meta() {
	want := map[string]string{string(kFormat): format, string(kOrigin): c.archive.origin, string(kKey): c.line.Present()}
	c.each(bMeta, func(k, v []byte) {
		if w, ok := want[string(k)]; !ok || w != string(v) {
			c.wrong("meta "+string(k), "it is %q", v)
		}
	})
	for k := range want {
		if c.tx.Bucket(bMeta).Get([]byte(k)) == nil && k != string(kKey) {
			c.wrong("meta "+k, "it is missing")
		}
	}
}

// each calls f with every pair of a bucket.
func (c *check) each(bucket []byte, f func(k, v []byte)) {
	b := c.tx.Bucket(bucket)
	if b == nil {
		return // told of, or of later than this archive
	}
	err := b.ForEach(func(k, v []byte) error {
		f(k, v)
		return c.ctx.Err()
	})
	if err != nil && c.ctx.Err() == nil {
		c.wrong("bucket "+string(bucket), "%v", err)
	}
}
