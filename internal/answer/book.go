package answer

import (
	"context"
	"errors"
	"io"
	"time"

	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/trail"
)

// The errors of a Book that keep their meaning across the network.
var (
	// ErrNotFound is returned for a run, attachment or mark that is not there.
	ErrNotFound = errors.New("not kept here")
	// ErrAmbiguous is returned when the letters of an id fit more than one run.
	ErrAmbiguous = errors.New("more than one fits")
	// ErrState is returned when a run is to be retracted that is, or to be
	// reinstated that is not.
	ErrState = errors.New("nothing to do")
	// ErrDenied is returned by a Client whose collector does not let it ask.
	ErrDenied = errors.New("not allowed")
	// ErrUnreachable is returned by a Client whose collector does not answer.
	ErrUnreachable = errors.New("the collector does not answer")
)

// Query chooses runs; empty fields choose all. From is part of the range,
// Before is not.
type Query struct {
	Rig, Workload, Setup, Standing string
	From, Before                   time.Time
	Limit                          int // 0 for all
}

// RigSummary is what the collector knows of a rig.
type RigSummary struct {
	Name         string
	Runs         int
	LastRun      string
	LastStarted  time.Time
	LastSetup    string
	LastStanding string
	KeySHA256    []byte
	MarkedSetups []string
	Played       bool
	Beat         *Beat // nil when it never sent one
}

// Detail is one run as it was kept.
type Detail struct {
	Summary Summary
	Signed  record.Signed
	Receipt trail.Receipt
}

// Checked says what a check went through.
type Checked struct {
	Runs        int
	Entries     int64            // of the trail
	VerifierKey string           // that signed its head
	Keys        []trail.KeySince // that have signed its heads, one after the other
}

// Mark is an accepted reference.
type Mark struct {
	Rig, Setup string
	RunID      string
	At         time.Time
	By, Why    string
}

// State says whether a collector takes deliveries now.
type State struct {
	Refusing string    // why it does not, in one line; "" when it does
	Hint     string    // what would help
	Since    time.Time // zero when it is not known
	// Room on the file system of the archive; below Floor no deliveries are taken.
	Free, Total, Floor int64
}

// Book is what the service answers from.
type Book interface {
	State(ctx context.Context) (State, error)
	Rigs(ctx context.Context) ([]RigSummary, error)
	// Runs yields newest first until yield fails.
	Runs(ctx context.Context, q Query, yield func(Summary) error) error
	// Kept yields the runs from a trail entry on, in the order in which they were
	// kept, and returns the entry to go on from later.
	Kept(ctx context.Context, from int64, yield func(index int64, id string) error) (next int64, err error)
	// Show takes a whole id or a unique beginning of it or of its last part.
	Show(ctx context.Context, id string) (Detail, error)
	// Attachment gives one attachment; name "" is the run's only timing log.
	Attachment(ctx context.Context, id, name string) ([]byte, error)
	AcceptMark(ctx context.Context, id, by, why string) (Mark, trail.Receipt, error)
	// Retract makes a run void, Reinstate withdraws that; both with an entry in
	// the trail. They give the run as it stands then.
	Retract(ctx context.Context, id, by, why string) (Summary, trail.Receipt, error)
	Reinstate(ctx context.Context, id, by, why string) (Summary, trail.Receipt, error)
	// Rekey has the trail signed with a new key from now on, with an entry in it.
	Rekey(ctx context.Context, by, why string) (Rekeyed, trail.Receipt, error)
	// Check goes through all that is kept and calls found for all that is wrong,
	// and progress, unless it is nil, as it comes on: with a total of 0 while it reads
	// the pages of the file, of which done is how many.
	Check(ctx context.Context, found func(where, what string), progress func(done, total int64)) (Checked, error)
	// Backup calls begin with the size of a consistent copy of the whole archive,
	// and writes the copy to the writer that it gives.
	Backup(ctx context.Context, begin func(size int64, verifierKey string) (io.Writer, error)) error
	// Dossier writes the file that proves a run; after is the signed head of an older
	// one that it is to lead on from, nil for none.
	Dossier(ctx context.Context, id string, after []byte, w io.Writer) error
	// FollowFlags yields what is flagged, as it comes, from a place on, or from now
	// on for nil, first nothing but where that is. It ends when yield fails, the
	// context does, or the book closes.
	FollowFlags(ctx context.Context, from *Place, yield func(Flagged) error) error
	// Mark returns nil without an error when none is in force.
	Mark(ctx context.Context, rig, setup string) (*Mark, rig.Snapshot, error)
}
