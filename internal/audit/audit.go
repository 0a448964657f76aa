package audit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"

	"witnessmark/internal/deliver"
	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Auditor remembers trails in one folder. More than one process may have the
// same folder open.
type Auditor struct {
	dir       string
	now       func() time.Time
	succeeded func(collector, from, to string) // nil for nobody who is told
}

// Open makes the folder where needed, and sets room aside for the next collector
// to be met.
func Open(dir string, now func() time.Time) (*Auditor, error) {
	a := &Auditor{dir: dir, now: now}
	for _, d := range []string{"memory", "alarms"} {
		if err := durable.MakeDir(a.path(d)); err != nil {
			return nil, fault.New("open memory of trails", dir, err)
		}
	}
	for i := range 2 {
		spare := a.path(fmt.Sprintf("spare.%d", i))
		if _, err := os.Lstat(spare); err != nil {
			_ = blank(spare) // on a full disk the next collector has to wait
		}
	}
	return a, nil
}

// At gives the auditor of a folder without making it, to look at alarms.
func At(dir string, now func() time.Time) *Auditor { return &Auditor{dir: dir, now: now} }

func (a *Auditor) path(elem ...string) string {
	return filepath.Join(append([]string{a.dir}, elem...)...)
}

// alone keeps other processes from writing until free is called.
func (a *Auditor) alone() (free func(), err error) {
	f, err := durable.WaitLock(a.path("lock"))
	if err != nil {
		return nil, fault.New("lock memory of trails", a.dir, err)
	}
	return func() { f.Close() }, nil
}

// Pin remembers the key of a collector's trail before it is met. A key that is
// pinned already stays: the error is then ErrAlarm.
func (a *Auditor) Pin(collector, key string) error {
	if _, err := note.NewVerifier(key); err != nil {
		return fault.New("pin key", collector, err)
	}
	free, err := a.alone()
	if err != nil {
		return err
	}
	defer free()
	m, err := a.recall(collector)
	switch {
	case err != nil:
		return fault.New("pin key", collector, err)
	case m.Times > 0 && m.hasHad(key):
		return nil
	case m.Times > 0 && m.Key != key:
		return fault.New("pin key", collector, fmt.Errorf("%w: its key is pinned as %s", ErrAlarm, m.Key))
	case m.Times > 0:
		return nil
	}
	return a.pin(&m, collector, key)
}

// hasHad says whether a key was the pinned one, and led to that of now.
func (m Memory) hasHad(key string) bool {
	line, err := trail.NewLine(m.Key, m.Earlier...)
	if err != nil {
		return false
	}
	ok, _ := line.From(key)
	return ok
}

// pin remembers a new address, and with it what was seen of the same trail at
// another one; the caller holds the lock.
func (a *Auditor) pin(m *Memory, collector, key string) error {
	*m = Memory{Collector: collector, Key: key, Pinned: a.now().UTC()}
	all, err := a.Memories()
	if err != nil {
		return err
	}
	best := int64(-1)
	for _, o := range all {
		if h, _, err := o.open(); o.Key == key && err == nil && h.Size > best {
			best, m.Head, m.Seen, m.Earlier = h.Size, o.Head, o.Seen, o.Earlier
		}
	}
	return a.remember(*m)
}

// Trail is a collector's trail, met and found to be the one that was seen. Its
// methods may be called at the same time.
type Trail struct {
	auditor *Auditor
	conn    grpc.ClientConnInterface

	mu   sync.Mutex
	last Memory
	head trail.Head
	line trail.Line

	met      time.Time // when, and with how many entries
	size     int64
	cosigned [][]byte // heads then that witnesses signed, too
}

// Meet asks the collector at an address for its head and holds that against the
// last seen. A trail that was cut back or written anew, or another key, raises an
// alarm, which is the error and wraps ErrAlarm. Other errors are those of
// deliver.AskHead.
func (a *Auditor) Meet(ctx context.Context, conn grpc.ClientConnInterface, collector string) (*Trail, error) {
	m, err := a.look(collector)
	if err != nil {
		return nil, fault.New("recall trail", collector, err)
	}
	if m.Times == 0 {
		if m, err = a.first(ctx, conn, collector); err != nil {
			return nil, err
		}
	}
	t := &Trail{auditor: a, conn: conn, last: m}
	if t.head, t.line, err = m.open(); err != nil {
		return nil, fault.New("recall trail", collector, err)
	}
	return t, t.meet(ctx)
}

// first pins the key of a collector that was never met.
func (a *Auditor) first(ctx context.Context, conn grpc.ClientConnInterface, collector string) (Memory, error) {
	x, err := deliver.AskHead(ctx, conn)
	if err != nil {
		return Memory{}, err
	}
	if err := a.Pin(collector, x.VerifierKey); err != nil && !errors.Is(err, ErrAlarm) {
		return Memory{}, err
	}
	return a.look(collector) // which another process may have made meanwhile
}

// ask gives the present head, and how those that were seen belong to it.
func (t *Trail) ask(ctx context.Context, seen ...[]byte) (x deliver.Extended, now shown, err error) {
	m, _ := t.known()
	if x, err = deliver.AskHeadSince(ctx, t.conn, m.Key, seen...); err == nil {
		now, err = t.open(x)
	}
	return x, now, err
}

func (t *Trail) meet(ctx context.Context) error {
	t.mu.Lock()
	last, head := t.last, t.head
	t.mu.Unlock()
	var seen [][]byte
	if last.Head != "" {
		seen = append(seen, []byte(last.Head))
	}
	x, now, err := t.ask(ctx, seen...)
	if err != nil {
		return err
	}
	var proof []trail.Hash
	if len(seen) > 0 {
		proof = x.Consistency[0]
	}
	if err := t.heed(ctx, x, now); err != nil {
		return err
	}
	return t.advance(ctx, last, head, now, proof)
}

// advance takes a head for the last one seen, if proof shows that it adds to it.
func (t *Trail) advance(ctx context.Context, last Memory, seen trail.Head, now shown, proof []trail.Hash) error {
	if err := trail.CheckConsistency(seen, now.Head, proof); err != nil {
		if err := t.doubt(ctx, last, now, err); err != nil {
			return err
		}
	}
	return t.take(ctx, last, now)
}

// take remembers a head that adds to last. When another process has remembered
// another one meanwhile, the collector has to prove that both are of one trail, and
// the longer one stays: each of the others can come before it only once.
func (t *Trail) take(ctx context.Context, last Memory, now shown) error {
	for range 8 {
		met, err := t.remember(last, now)
		if err != nil || met == nil {
			return err
		}
		other, line, err := met.open()
		if err != nil {
			return fault.New("recall trail", met.Collector, err)
		}
		if known, _ := t.known(); met.Key != known.Key && met.Key != now.line.Present() {
			return fault.New("recall trail", met.Collector, fmt.Errorf("%w: another key was pinned meanwhile", deliver.ErrUnreachable))
		}
		x, both, err := t.ask(ctx, []byte(met.Head), now.signed)
		if err != nil {
			return err
		}
		if err := trail.CheckConsistency(other, both.Head, x.Consistency[0]); err != nil {
			if err := t.doubt(ctx, *met, both, err); err != nil {
				return err
			}
		}
		if err := trail.CheckConsistency(now.Head, both.Head, x.Consistency[1]); err != nil {
			if err := t.doubt(ctx, now.at(*met), both, err); err != nil {
				return err
			}
		}
		if last = *met; other.Size < now.Size {
			continue
		}
		if met.Refused == "" {
			t.goOn(*met, other, line)
			return nil
		}
		now = both
	}
	return fault.New("remember trail", last.Collector, fmt.Errorf("%w: too many others do so at once", deliver.ErrUnreachable))
}

// remember writes the head down if the memory is still the one it was proved
// against, and gives the memory that is there instead if not.
func (t *Trail) remember(last Memory, now shown) (instead *Memory, err error) {
	free, err := t.auditor.alone()
	if err != nil {
		return nil, err
	}
	defer free()
	m, err := t.auditor.recall(last.Collector)
	if err != nil {
		return nil, fault.New("recall trail", last.Collector, err)
	}
	if m.Key != last.Key || m.Head != last.Head {
		return &m, nil
	}
	from := m.Key
	if now.Size > 0 && string(now.signed) != m.Head || m.Refused != "" {
		m = now.at(m)
		m.Seen, m.Refused = t.auditor.now().UTC(), ""
		if err := t.auditor.remember(m); err != nil {
			return nil, fault.New("remember trail", last.Collector, err)
		}
	}
	if m.Key != from && t.auditor.succeeded != nil {
		t.auditor.succeeded(m.Collector, from, m.Key)
	}
	t.goOn(m, now.Head, now.line)
	return nil, nil
}

// goOn has what comes next begin from what is remembered.
func (t *Trail) goOn(m Memory, head trail.Head, line trail.Line) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.last, t.head, t.line = m, head, line
}

// Send delivers one record, and returns once its receipt holds and its head is
// remembered: it is signed with the pinned key, proves that the record is in the
// trail, and that this is still the trail that was seen. Its errors are those of
// deliver.Send, and ErrAlarm.
func (t *Trail) Send(ctx context.Context, s record.Signed, parts []deliver.Part) (deliver.Reply, error) {
	t.mu.Lock()
	last, seen, line := t.last, t.head, t.line
	t.mu.Unlock()
	reply, err := deliver.Send(ctx, t.conn, s, parts, deliver.Seen(seen.Size))
	if errors.Is(err, deliver.ErrFewer) { // it was put back since it was met
		err = cmp.Or(t.meet(ctx), err)
	}
	if err != nil {
		return reply, err
	}
	_, now, err := reply.Receipt.Check(line, trail.KindRecord, s.SHA256())
	if isUnknownKey(err) { // its key may have been changed since it was met
		if err := t.meet(ctx); err != nil {
			return deliver.Reply{}, err
		}
		_, line = t.known()
		_, now, err = reply.Receipt.Check(line, trail.KindRecord, s.SHA256())
	}
	if err != nil {
		return deliver.Reply{}, notHolding(last.Collector, err)
	}
	given := shown{now, reply.Receipt.Head, line}
	if seen.Size == 0 {
		return reply, t.take(ctx, last, given)
	}
	if err := reply.Receipt.CheckSeen(seen, now); err != nil {
		if err := t.doubt(ctx, last, given, err); err != nil {
			return deliver.Reply{}, err
		}
		return deliver.Reply{}, notHolding(last.Collector, err)
	}
	if now.Size > seen.Size {
		err = t.take(ctx, last, given)
	}
	return reply, err
}

// ErrReceipt is returned for a receipt that does not hold.
var ErrReceipt = errors.New("the collector's receipt does not hold")

func notHolding(collector string, why error) error {
	return fault.New("deliver", collector, fmt.Errorf("%w: %w", ErrReceipt, why)).
		WithHint("the run stays in the spool; tell the collector's keeper")
}
