package archive

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/klauspost/compress/zstd"
	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/durable"
	"witnessmark/internal/fault"
	"witnessmark/internal/trail"
)

// Errors that callers tell apart.
var (
	// ErrBusy is returned when another process has the archive open.
	ErrBusy = errors.New("another process has it open")
	// ErrNotFound is returned for a run or part that is not kept.
	ErrNotFound = errors.New("not kept here")
	// ErrAmbiguous is returned when letters of an id fit more than one run.
	ErrAmbiguous = errors.New("more than one run fits")
	// ErrConflict is returned when another record is kept under the same run id.
	ErrConflict = errors.New("another record is already kept under this run id")
	// ErrReadOnly is returned when something is to be kept without a key to sign with.
	ErrReadOnly = errors.New("the archive is open without the key of its trail, to be read only")
	// ErrClosed is returned after Close.
	ErrClosed = errors.New("the archive is closed")
)

const (
	format = "1"
	chunk  = 60 << 10
)

var (
	bMeta, bRuns, bHashes, bTails = []byte("meta"), []byte("runs"), []byte("hashes"), []byte("tails")
	bSummary, bRigs, bMarks       = []byte("summary"), []byte("rigs"), []byte("marks")
	bRetractions, bRestores       = []byte("retractions"), []byte("restores")
	bBeats, bNews, bSetups        = []byte("beats"), []byte("news"), []byte("setups")
	bKeys, bTokens                = []byte("keys"), []byte("tokens")
	bCosigned, bSuccessions       = []byte("cosigned"), []byte("successions")
	bCertificates, bCosigners     = []byte("certificates"), []byte("cosigners")
	bByTime, bByRig, bByWorkload  = []byte("by/time"), []byte("by/rig"), []byte("by/workload")
	bByBoth, bBySetup             = []byte("by/workload+rig"), []byte("by/setup")
	bLeaves, bTree, bTrail        = []byte("trail/leaves"), []byte("trail/hashes"), []byte("trail")
	kHead, kFormat, kOrigin, kKey = []byte("head"), []byte("format"), []byte("origin"), []byte("key")
	kSeal                         = []byte("seal")
	allBuckets                    = [][]byte{bMeta, bRuns, bHashes, bTails, bSummary, bRigs, bMarks, bByTime, bByRig, bByWorkload, bByBoth, bBySetup, bLeaves, bTree, bTrail}
	// laterBuckets came after the first archives. One that is only read may lack them.
	laterBuckets = [][]byte{bRetractions, bRestores, bBeats, bNews, bSetups, bKeys, bTokens, bCosigned, bSuccessions, bCertificates, bCosigners}
)

// Options are what an archive needs from outside. All are required but Next, Wait and MapSize.
type Options struct {
	Key     ed25519.PrivateKey // signs heads
	Next    ed25519.PrivateKey // does so if it has followed Key; nil for none
	Origin  string             // names the trail when the archive is new
	Now     func() time.Time
	Wait    time.Duration // how long to wait for another process to let go; 0 waits 10 s
	MapSize int           // address space reserved beyond the file, so that growth need not wait for readers
}

// bolt gives the options of the file to be opened with these.
func (o Options) bolt(path string) *bolt.Options {
	b := &bolt.Options{FreelistType: bolt.FreelistMapType, InitialMmapSize: o.MapSize}
	if info, err := os.Stat(path); err == nil && o.MapSize > 0 {
		b.InitialMmapSize += int(info.Size())
	}
	return b
}

// Archive is an open archive. Its methods may be called at the same time.
type Archive struct {
	db       opened
	path     string // of the file, which bbolt forgets when it is closed
	key      string // by which it was opened; line says which follow it
	lines    atomic.Pointer[trail.Line]
	signing  sync.Mutex
	signers  []signer // whose keys are at hand
	origin   string
	now      func() time.Time
	pageRows int
	follows  bool // keeps what another archive's trail has, and nothing else
	bare     bool // keeps no trail, to measure what one costs
	pack     *zstd.Encoder
	unpack   *zstd.Decoder
	keeps    chan *keepCall
	done     chan struct{}
	stop     sync.Once
	damage   atomic.Pointer[error] // the first that was met in the file
	stuck    atomic.Bool           // for which bbolt gives no transaction any more
	writer   sync.WaitGroup
}

// Open opens the archive file, making it and its folder when they are new. It
// refuses a file of another program or format, and one whose trail another key
// signed.
func Open(path string, opt Options) (*Archive, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fault.New("open archive", path, err).WithHint(diskHint)
	}
	_, err := os.Lstat(path)
	fresh := errors.Is(err, fs.ErrNotExist)
	db, err := openFile(path, opt.Wait, opt.bolt(path))
	if err != nil {
		return nil, err
	}
	a := newArchive(db, opt.Now)
	err = a.prepare(opt)
	if err == nil && fresh {
		err = durable.SyncDir(filepath.Dir(path))
	}
	if err != nil {
		a.shut()
		return nil, opening(path, err)
	}
	a.writer.Go(a.write)
	return a, nil
}

// openFile opens the file and says what hinders it; a wait of 0 is one of 10 s.
func openFile(path string, wait time.Duration, opt *bolt.Options) (opened, error) {
	if opt.Timeout = wait; wait == 0 {
		opt.Timeout = 10 * time.Second
	}
	db, err := openBolt(path, opt)
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return db, fault.New("open archive", path, ErrBusy).WithHint("is a collector serving it? then name its address with --collector HOST:PORT")
	case errors.Is(err, fs.ErrPermission):
		return db, fault.New("open archive", path, err).WithHint("the file belongs to whoever runs the collector; ask it with --collector HOST:PORT")
	case err != nil && !errors.Is(err, ErrDamaged):
		return db, fault.New("open archive", path, err).WithHint(diskHint)
	}
	return db, err
}

func newArchive(db opened, now func() time.Time) *Archive {
	return &Archive{db: db, path: db.Path(), now: now, pageRows: pageRows, keeps: make(chan *keepCall, 256), done: make(chan struct{})}
}

func (a *Archive) prepare(opt Options) (err error) {
	if a.pack, err = newPacker(); err != nil {
		return err
	}
	if err = a.identify(opt.Origin); err != nil {
		return err
	}
	own, err := a.own(opt)
	if err == nil {
		a.addSigner(own)
		err = a.trust(own.key)
	}
	if err != nil {
		return err
	}
	if ready, err := a.ready(); ready || err != nil {
		return err
	}
	return a.change(func(tx *bolt.Tx) error {
		return a.begin(tx, func() ([]byte, error) { return trail.SignHead(trail.EmptyHead(a.origin), own) })
	})
}

// ready says whether nothing is to be written, so that an archive on a full disk
// can still be opened, and checks what is there.
func (a *Archive) ready() (ready bool, err error) {
	err = a.view(func(tx *bolt.Tx) error {
		for _, b := range slices.Concat(allBuckets, laterBuckets) {
			if tx.Bucket(b) == nil {
				return nil
			}
		}
		kept := tx.Bucket(bMeta).Get(kKey)
		line, err := a.checked(tx)
		ready = err != nil || bytes.Equal(kept, []byte(line.Present()))
		return err
	})
	return ready, err
}

// checked gives the keys of a trail whose head belongs to its tree.
func (a *Archive) checked(tx *bolt.Tx) (trail.Line, error) {
	line, err := a.line(tx)
	if err != nil {
		return line, err
	}
	head, err := a.head(tx)
	if kept := string(tx.Bucket(bMeta).Get(kKey)); err != nil && kept != "" && kept != line.Present() {
		err = otherKey(kept, line.Present())
	}
	if err == nil {
		err = trail.CheckStore(head, hashReader{tx})
	}
	if err == nil && !a.follows && a.signerWith(line.Present()) == nil {
		err = otherKey(line.Present(), a.key)
	}
	return line, err
}

// own gives the key to sign with: the next one where that has followed already.
func (a *Archive) own(opt Options) (own signer, err error) {
	if own, err = signerOf(a.origin, opt.Key); err != nil || opt.Next == nil {
		return own, err
	}
	next, err := signerOf(a.origin, opt.Next)
	if err != nil {
		return own, err
	}
	err = a.view(func(tx *bolt.Tx) error {
		if m := tx.Bucket(bMeta); m != nil && string(m.Get(kKey)) == next.key {
			own = next
		}
		return nil
	})
	return own, err
}

func newPacker() (*zstd.Encoder, error) { return zstd.NewWriter(nil, zstd.WithEncoderConcurrency(2)) }

// identify reads whose archive it is; a new one is of origin.
func (a *Archive) identify(origin string) (err error) {
	if a.unpack, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(mostUnpacked)); err != nil {
		return err
	}
	a.origin = origin
	return a.view(func(tx *bolt.Tx) error {
		m := tx.Bucket(bMeta)
		if m == nil {
			if name, _ := tx.Cursor().First(); name != nil {
				return fmt.Errorf("it is a database of something else, with a bucket %q", name)
			}
			return nil
		}
		if f := string(m.Get(kFormat)); f != format {
			return fmt.Errorf("it has format %q and this program knows %q", f, format)
		}
		a.origin = string(m.Get(kOrigin))
		return nil
	})
}

// trust takes only heads that the key signed.
func (a *Archive) trust(key string) error {
	v, err := note.NewVerifier(key)
	if err != nil {
		return fmt.Errorf("the key of its trail: %w", err)
	}
	if v.Name() != a.origin {
		return fmt.Errorf("its trail is %s and the key is of %s", a.origin, v.Name())
	}
	a.key = key
	return nil
}

// makeBuckets makes those that are not there.
func (a *Archive) makeBuckets(tx *bolt.Tx) error {
	for _, b := range slices.Concat(allBuckets, laterBuckets) {
		if _, err := tx.CreateBucketIfNotExists(b); err != nil {
			return err
		}
	}
	return nil
}

// begin makes the buckets that are not there. A new archive begins with the signed
// head over nothing, and a copy with the successions of its source's keys.
func (a *Archive) begin(tx *bolt.Tx, empty func() ([]byte, error), announced ...[]byte) error {
	fresh := tx.Bucket(bMeta) == nil
	if err := a.makeBuckets(tx); err != nil {
		return err
	}
	if !fresh {
		line, err := a.checked(tx)
		if err != nil {
			return err
		}
		return tx.Bucket(bMeta).Put(kKey, []byte(line.Present()))
	}
	for _, kv := range [][2][]byte{{kFormat, []byte(format)}, {kOrigin, []byte(a.origin)}, {kKey, []byte(a.key)}} {
		if err := tx.Bucket(bMeta).Put(kv[0], kv[1]); err != nil {
			return err
		}
	}
	for _, n := range announced {
		s, err := trail.OpenSuccession(n)
		if err == nil {
			err = putSuccession(tx, Succeeded{Succession: s, Note: n})
		}
		if err != nil {
			return err
		}
	}
	signed, err := empty()
	if err != nil {
		return err
	}
	if err := tx.Bucket(bTrail).Put(kHead, signed); err != nil {
		return err
	}
	h, err := a.head(tx)
	if err == nil && h.Size != 0 {
		err = fmt.Errorf("its first head is over %d entries", h.Size)
	}
	return err
}

// OpenReadOnly opens an archive that nobody writes to, for questions and checks.
// Its heads must be signed by the key, a verifier key; "" takes the one that the
// archive names itself.
func OpenReadOnly(path, key string, wait time.Duration) (*Archive, error) {
	db, err := openFile(path, wait, &bolt.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	a := newArchive(db, nil)
	if err := a.learn(key); err != nil {
		a.shut()
		return nil, opening(path, err)
	}
	return a, nil
}

// learn makes ready for reading what somebody else made.
func (a *Archive) learn(key string) error {
	if err := a.identify(""); err != nil {
		return err
	}
	return a.view(func(tx *bolt.Tx) error {
		m := tx.Bucket(bMeta)
		if m == nil {
			return errors.New("it is a database of something else, or empty")
		}
		for _, b := range allBuckets {
			if tx.Bucket(b) == nil {
				return fmt.Errorf("its bucket %s is missing", b)
			}
		}
		if key == "" {
			key = string(m.Get(kKey))
		}
		if err := a.trust(key); err != nil {
			return err
		}
		_, err := a.line(tx)
		return err
	})
}

// ReadOnly says whether nothing can be kept.
func (a *Archive) ReadOnly() bool {
	a.signing.Lock()
	defer a.signing.Unlock()
	return len(a.signers) == 0
}

// Path is the archive's file; nil has none.
func (a *Archive) Path() string {
	if a == nil {
		return ""
	}
	return a.path
}

// Size is the size of the archive's file in bytes; -1 once it is closed.
func (a *Archive) Size() (n int64) {
	if err := a.view(func(tx *bolt.Tx) error { n = tx.Size(); return nil }); err != nil {
		return -1
	}
	return n
}

// Close waits for what is being written and closes the file.
func (a *Archive) Close() error {
	a.stop.Do(func() { close(a.done) })
	a.writer.Wait()
	a.unpack.Close()
	return a.shut()
}

// shut closes the file.
func (a *Archive) shut() error {
	closed := make(chan error, 1)
	go func() { closed <- a.db.Close() }()
	if a.Damaged() == nil {
		return <-closed
	}
	select { // bbolt waits for ever for a transaction that it could not roll back
	case err := <-closed:
		return err
	case <-time.After(time.Second):
		return nil
	}
}

// Labels are what runs are chosen by; every index row carries them.
type Labels struct {
	Rig      string
	Workload string
	Setup    string // "" when none was declared
	Standing string
	Played   bool
}

func (l Labels) row() []byte {
	played := "0"
	if l.Played {
		played = "1"
	}
	return bytes.Join([][]byte{[]byte(l.Rig), []byte(l.Workload), []byte(l.Setup), []byte(l.Standing), []byte(played)}, []byte{0})
}

func labelsOf(row []byte) (Labels, error) {
	f := bytes.Split(row, []byte{0})
	if len(f) != 5 {
		return Labels{}, fmt.Errorf("index row has %d fields", len(f))
	}
	return Labels{string(f[0]), string(f[1]), string(f[2]), string(f[3]), string(f[4]) == "1"}, nil
}

func putJSON(b *bolt.Bucket, key []byte, v any) error {
	j, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return b.Put(key, j)
}
