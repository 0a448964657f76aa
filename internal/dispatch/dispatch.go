package dispatch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
	"witnessmark/internal/spool"
)

// Way is a connection to a destination.
type Way struct {
	grpc.ClientConnInterface
	Where string // how errors call it
	Close func() error
}

// Post carries the runs of one spool. All fields but Hold, Demand and Instead are
// needed.
type Post struct {
	Spool   *spool.Spool
	Auditor func() (*audit.Auditor, error)
	Connect func(ctx context.Context, destination string) (*Way, error)
	Hold    func(id string) bool // runs that are not offered now; nil holds none
	// Demand says which witnesses must have signed what was kept before a run is let
	// go for which no demand was made; nil for none.
	Demand *audit.Demand
	// Instead, unless it is nil, is the operator's word on all of them: it takes the
	// place of whatever they were held by.
	Instead *audit.Demand
}

// ErrDestination is in errors that are of the destination, and of no single run.
var ErrDestination = errors.New("nothing can be delivered there")

// general is an ErrDestination in its own words.
type general struct{ error }

func (g general) Unwrap() error        { return g.error }
func (g general) Is(target error) bool { return target == ErrDestination }

// Delivered is what came of one run's delivery.
type Delivered struct {
	Reply deliver.Reply
	Err   error
}

// inVain is how many runs in a row are offered to a collector that takes none;
// with the first alone, one run that it cannot take now would keep back all.
const inVain = 2

// Flush sends the spooled runs for one destination, oldest first, and tells of
// each. It goes on after a run that cannot be taken, and gives up when the
// collector does not take any. Its error is that of listing or connecting. One
// run at a time is in memory.
func (p *Post) Flush(ctx context.Context, destination string, tell func(spool.Item, Delivered)) error {
	if destination == spool.Embedded { // nobody follows it
		own := *p
		own.Instead, p = &audit.Demand{}, &own
	}
	waiting, listing := p.Spool.Queue()
	var met *audit.Trail
	failures := 0
	for _, w := range waiting {
		if w.Destination != destination || p.Hold != nil && p.Hold(w.ID) {
			continue
		}
		it, err := spool.Item{ID: w.ID, Destination: w.Destination}, error(nil)
		if w.Held == nil {
			it, err = p.Spool.Load(w.ID)
		}
		switch {
		case errors.Is(err, spool.ErrGone):
			continue
		case err != nil:
			listing = errors.Join(listing, err)
			continue
		}
		if met == nil {
			way, err := p.Connect(ctx, destination)
			if err != nil {
				return errors.Join(general{err}, listing)
			}
			defer way.Close()
			if met, err = p.meet(ctx, way, destination); err != nil {
				tell(it, Delivered{Err: general{err}})
				break
			}
			if err := p.note(met, waiting); err != nil {
				listing = errors.Join(listing, err)
			}
		}
		demand, why := p.demand(w)
		if why == nil && w.Held != nil {
			why = waits(met, demand, w.Held)
		}
		if why != nil {
			tell(it, Delivered{Err: why})
			continue
		}
		d := p.send(ctx, met, destination, it, demand, w.Held)
		if errors.Is(d.Err, spool.ErrGone) {
			continue
		}
		tell(it, d)
		if failures++; !Waits(d.Err) || errors.Is(d.Err, audit.ErrUnwitnessed) {
			failures = 0
		}
		if failures == inVain || ctx.Err() != nil || errors.Is(d.Err, audit.ErrAlarm) {
			break
		}
	}
	return listing
}

// meet holds the collector's trail against what was seen of it, before anything
// is delivered into it.
func (p *Post) meet(ctx context.Context, way *Way, destination string) (*audit.Trail, error) {
	a, err := p.Auditor()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("it took more than %v", patience))
	defer cancel()
	met, err := a.Meet(ctx, way, destination)
	return met, whereTo(way.Where, err)
}

// The longest that one delivery may take: a collector that takes less than
// slowest is not taking it now.
const (
	patience = time.Minute
	slowest  = 64 << 10 // bytes a second
)

// send delivers one run and lets it go once its receipt holds and is kept.
func (p *Post) send(ctx context.Context, met *audit.Trail, where string, it spool.Item, demand audit.Demand, held *spool.Held) Delivered {
	now, err := p.Spool.Offer(it.ID)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return Delivered{Err: err}
	case err != nil && held != nil:
		return Delivered{Err: spool.ErrGone}
	}
	if err == nil {
		it = now // it may have been thinned since it was listed
	}
	var parts []deliver.Part
	size := int64(len(it.Signed.Bytes))
	for i, a := range it.Attachments {
		size += a.Size
		parts = append(parts, deliver.Part{Attachment: a, Open: func() (io.ReadCloser, error) { return it.Part(i) }})
	}
	most := patience + time.Duration(size/slowest)*time.Second
	ctx, cancel := context.WithTimeoutCause(ctx, most, fmt.Errorf("it took more than %v", most))
	defer cancel()
	reply, err := met.Send(ctx, it.Signed, parts)
	if err != nil && !errors.Is(err, deliver.ErrRefused) {
		if _, e := p.Spool.Receipt(it.ID); e == nil {
			// Another agent has delivered it meanwhile, and its files went away
			// under us: a record that is known is answered without them.
			reply, err = met.Send(ctx, it.Signed, nil)
		}
	}
	if err != nil {
		return Delivered{Err: whereTo(where, err)}
	}
	if err := p.keepBack(met, demand, it.ID, reply.Receipt.Index, held); err != nil {
		return Delivered{reply, err}
	}
	receipt, err := json.Marshal(answer.ReceiptOf(reply.Receipt))
	if err == nil {
		err = p.Spool.Done(it.ID, receipt)
	}
	return Delivered{reply, err}
}

// whereTo names the collector in an error that does not.
func whereTo(where string, err error) error {
	var f *fault.Error
	if !errors.As(err, &f) || f.Where != "" {
		return err
	}
	return fault.New(f.What, where, f.Why).WithHint(f.Next)
}

// Waits says whether a delivery failed in a way that is worth trying again.
func Waits(err error) bool {
	return errors.Is(err, deliver.ErrUnreachable) || errors.Is(err, context.Canceled) || errors.Is(err, audit.ErrUnwitnessed) || Unproved(err)
}

// Unproved says whether a collector did not prove what it said.
func Unproved(err error) bool {
	return errors.Is(err, audit.ErrAlarm) || errors.Is(err, audit.ErrReceipt)
}
