package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
)

// ErrDamaged is returned for a file whose pages are not as bbolt wrote them.
var ErrDamaged = errors.New("its file is damaged")

var errFirstPages = errors.New("neither of its first pages is whole")

// CheckHint goes with what is kept and does not belong together.
const CheckHint = "have all that is wrong with the archive listed: collector check"

const keyHint = "put the key of the trail beside it, from where it was kept"

const diskHint = "see that the disk it lies on is there, has room and can be written to"

const damageHint = "keep the file as it is, have all that is wrong listed with collector check, and restore a backup: collector restore"

// whole calls f and gives as ErrDamaged what a damaged file makes in it: a panic
// of bbolt, which takes the bytes of its file on trust, or memory beyond the end
// of a file that was cut. Any other panic goes on.
func whole(path string, f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		p := recover()
		if p == nil {
			return
		}
		if _, outside := p.(interface{ Addr() uintptr }); !outside && !boltPanicked() {
			panic(p)
		}
		err = damaged(path, errors.New(strings.TrimPrefix(fmt.Sprint(p), "runtime error: ")))
	}()
	return f()
}

func damaged(path string, why error) error {
	return fault.New("read archive", path, fmt.Errorf("%w: %w", ErrDamaged, why)).WithHint(damageHint)
}

// boltPanicked says, in a deferred call, whether the panic began in bbolt.
func boltPanicked() bool {
	pcs := make([]uintptr, 64)
	frames := runtime.CallersFrames(pcs[:runtime.Callers(2, pcs)])
	for began := false; ; {
		f, more := frames.Next()
		switch {
		case f.Function == "runtime.gopanic":
			began = true
		case began && !strings.HasPrefix(f.Function, "runtime."):
			return strings.HasPrefix(f.Function, "go.etcd.io/bbolt")
		}
		if !more {
			return false
		}
	}
}

// Damaged gives the first damage that was met in the file since it was opened, nil
// for none. From then on nothing is written: bbolt might write over what is whole.
func (a *Archive) Damaged() error {
	if a == nil {
		return nil
	}
	if err := a.damage.Load(); err != nil {
		return *err
	}
	return nil
}

// met remembers the first damage. After it bbolt reads on only where that comes to an
// end.
func (a *Archive) met(err error) error {
	if errors.Is(err, ErrDamaged) && a.damage.CompareAndSwap(nil, &err) && endless(a.db.file) != nil {
		a.stuck.Store(true)
	}
	return err
}

func (a *Archive) view(f func(*bolt.Tx) error) error { return a.transact(a.db.View, f) }

func (a *Archive) update(f func(*bolt.Tx) error) error {
	if err := a.Damaged(); err != nil {
		return err
	}
	if a.ReadOnly() {
		return fault.New("write", a.path, ErrReadOnly).WithHint(needsKey)
	}
	return a.change(f)
}

func (a *Archive) change(f func(*bolt.Tx) error) error {
	if err := a.Damaged(); err != nil {
		return err
	}
	return a.transact(a.db.Update, f)
}

// transact calls bbolt's View or Update. Where that has panicked before there was a
// transaction, it has kept its locks, and is not called again.
func (a *Archive) transact(in func(func(*bolt.Tx) error) error, f func(*bolt.Tx) error) error {
	if a.stuck.Load() {
		return a.Damaged()
	}
	began := false
	err := a.met(whole(a.path, func() error {
		return in(func(tx *bolt.Tx) error { began = true; return f(tx) })
	}))
	if !began && errors.Is(err, ErrDamaged) {
		a.stuck.Store(true)
	}
	return err
}

// LookOver reads all pages of the file, beside what else is done with it, and gives
// the first damage in them over which bbolt would stumble. What the pages hold only
// an examination tells. No transaction does so by itself: where a branch page has come
// to lead back to one above it since the last look, whoever reads through it ends the
// process (see endless.go), and it is refused when it is opened next.
func (a *Archive) LookOver(ctx context.Context) error {
	return a.met(a.moment(func(tx *bolt.Tx) error { return sound(ctx, a.db.file, uint64(tx.ID()), true) }))
}

// moment calls f with a transaction whose first page is still in the file, so that
// its pages can be walked. Where it is gone and no later one has been written, the
// file is damaged.
func (a *Archive) moment(f func(*bolt.Tx) error) error {
	for last := -1; ; {
		now := -1
		err := a.view(func(tx *bolt.Tx) error { now = tx.ID(); return f(tx) })
		if !errors.Is(err, errOtherTx) {
			return err
		}
		if now == last {
			return damaged(a.path, fmt.Errorf("the first page of transaction %d is not whole", now))
		}
		last = now
	}
}

// OpenDamaged opens a file that Open has refused for its damage, to read what can
// still be read.
func OpenDamaged(path string, damage error, wait time.Duration) (*Archive, error) {
	a, err := OpenReadOnly(path, "", wait)
	if err == nil {
		a.met(damage)
	}
	return a, err
}

// errOtherKey is returned when the key by which an archive is opened is not the one
// that signs its trail.
var errOtherKey = errors.New("another key signs its trail")

func otherKey(signs, has string) error {
	return fmt.Errorf("%w: %s, and not %s", errOtherKey, signs, has)
}

// opening says of an error that it came while a file that could be opened was made
// ready. Where it is neither the disk's nor the key's, it is of what the archive holds.
func opening(path string, err error) error {
	hint, system := fault.HintOf(err), syscall.Errno(0)
	switch {
	case errors.Is(err, ErrDamaged):
		return err
	case hint != "":
	case errors.As(err, &system):
		hint = diskHint
	case errors.Is(err, errOtherKey):
		hint = keyHint
	default:
		hint = CheckHint
	}
	return fault.New("open archive", path, err).WithHint(hint)
}

// walkedAtOnce is the size up to which all pages of a file are looked at before it
// is written to. Of a larger one those of the runs are not, which are never written
// over; whoever serves it has them looked over meanwhile.
var walkedAtOnce int64 = 64 << 20

// opened is a file that bbolt has open, by the same handle.
type opened struct {
	*bolt.DB
	file *os.File
}

// openBolt opens the file, and holds what bbolt would stumble over against damage
// first. One that is to be written to is opened to be read before that: bbolt takes
// as much memory as its list of free pages is said to need at once, and later writes
// over any page that is said to be free.
func openBolt(path string, opt *bolt.Options) (opened, error) {
	info, err := os.Stat(path)
	switch empty := err == nil && info.Size() == 0; {
	case empty && opt.ReadOnly: // which bbolt would begin
		return opened{}, damaged(path, errFirstPages)
	case !opt.ReadOnly && (err != nil || empty):
		return beginFile(path, *opt)
	}
	look, looked := openedSound, *opt
	looked.ReadOnly, looked.InitialMmapSize = true, 0
	if opt.ReadOnly {
		look = endless
	}
	db, err := openAs(path, looked)
	if err == nil {
		if err = look(db.file); err == nil && opt.ReadOnly {
			return db, nil
		}
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		return opened{}, err
	}
	return openAs(path, *opt)
}

// beginFile opens a new file, to which bbolt writes its first four pages at once. What
// a full disk takes of them would be damage to who opens it next, so that the file is
// made empty again, which whoever comes then begins.
func beginFile(path string, opt bolt.Options) (opened, error) {
	db, err := openAs(path, opt)
	if durable.Full(err) && db.file != nil {
		if info, e := os.Stat(path); e == nil && info.Size() < 4*int64(os.Getpagesize()) {
			err = errors.Join(err, os.Truncate(path, 0))
		}
	}
	return db, err
}

func openAs(path string, opt bolt.Options) (db opened, err error) {
	opt.OpenFile = func(name string, flag int, mode os.FileMode) (f *os.File, err error) {
		db.file, err = os.OpenFile(name, flag, mode)
		return db.file, err
	}
	err = whole(path, func() error { db.DB, err = bolt.Open(path, 0o600, &opt); return err })
	switch {
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrVersionMismatch), errors.Is(err, berrors.ErrChecksum),
		err != nil && strings.HasPrefix(err.Error(), "file size too small"): // for pages of the size that they tell of
		err = damaged(path, errFirstPages)
	case errors.Is(err, ErrDamaged):
		if why := openedSound(db.file); why != nil {
			err = why // in better words
		}
		err = errors.Join(err, durable.Unlock(db.file)) // which bbolt left mapped
	}
	return db, err
}

func openedSound(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	return sound(context.Background(), f, 0, info.Size() <= walkedAtOnce)
}

// sound gives the first damage in a file over which bbolt would stumble: in its
// first pages, its length, the trees of its buckets, its list of free pages and, with
// all, the trees of its runs.
func sound(ctx context.Context, f *os.File, tx uint64, all bool) (first error) {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	w := &walk{r: f, size: info.Size(), topOnly: !all}
	w.wrong = func(what string, err error) {
		if first == nil && w.unsafe {
			first = damaged(f.Name(), fmt.Errorf("%s: %w", what, err))
		}
	}
	err = w.run(ctx, tx)
	if err != nil && !errors.Is(err, errOtherTx) && ctx.Err() == nil {
		err = damaged(f.Name(), err)
	}
	return cmp.Or(first, err)
}
