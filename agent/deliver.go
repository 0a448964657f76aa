package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/capture"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/judge"
	"witnessmark/internal/spool"
)

// delivered is what came of one run's delivery.
type delivered struct {
	reply deliver.Reply
	err   error
}

// inVain is how many runs in a row are offered to a collector that takes none;
// with the first alone, one run that it cannot take now would keep back all.
const inVain = 2

// flush sends the spooled runs for one destination, oldest first, and tells of
// each. It goes on after a run that cannot be taken, and gives up when the
// collector does not take any. Its error is that of listing or connecting.
func (s *session) flush(ctx context.Context, sp *spool.Spool, destination string, tell func(spool.Item, delivered)) error {
	items, listing := sp.Pending()
	var met *audit.Trail
	failures := 0
	for _, it := range items {
		if it.Destination != destination {
			continue
		}
		if met == nil {
			conn, err := s.connect(ctx, destination)
			if err != nil {
				return errors.Join(err, listing)
			}
			defer conn.Close()
			if met, err = s.meet(ctx, conn, destination); err != nil {
				tell(it, delivered{err: err})
				break
			}
		}
		d := send(ctx, met, destination, sp, it)
		tell(it, d)
		if failures++; !waits(d.err) {
			failures = 0
		}
		if failures == inVain || ctx.Err() != nil || errors.Is(d.err, audit.ErrAlarm) {
			break
		}
	}
	return listing
}

// meet holds the collector's trail against what was seen of it, before anything
// is delivered into it.
func (s *session) meet(ctx context.Context, conn *collect.Connection, destination string) (*audit.Trail, error) {
	a, err := s.openAuditor()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("it took more than %v", patience))
	defer cancel()
	met, err := a.Meet(ctx, conn, destination)
	return met, whereTo(conn.Where, err)
}

// The longest that one delivery may take: a collector that takes less than
// slowest is not taking it now.
const (
	patience = time.Minute
	slowest  = 64 << 10 // bytes a second
)

// send delivers one run and lets it go once its receipt holds and is kept.
func send(ctx context.Context, met *audit.Trail, where string, sp *spool.Spool, it spool.Item) delivered {
	now, err := sp.Offer(it.ID)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return delivered{err: err}
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
		if _, e := sp.Receipt(it.ID); e == nil {
			// Another agent has delivered it meanwhile, and its files went away
			// under us: a record that is known is answered without them.
			reply, err = met.Send(ctx, it.Signed, nil)
		}
	}
	if err != nil {
		return delivered{err: whereTo(where, err)}
	}
	receipt, err := json.Marshal(answer.ReceiptOf(reply.Receipt))
	if err == nil {
		err = sp.Done(it.ID, receipt)
	}
	return delivered{reply, err}
}

// whereTo names the collector in an error that does not.
func whereTo(where string, err error) error {
	var f *fault.Error
	if !errors.As(err, &f) || f.Where != "" {
		return err
	}
	return fault.New(f.What, where, f.Why).WithHint(f.Next)
}

// waits says whether a delivery failed in a way that is worth trying again.
func waits(err error) bool {
	return errors.Is(err, deliver.ErrUnreachable) || errors.Is(err, context.Canceled) || unproved(err)
}

// unproved says whether a collector did not prove what it said.
func unproved(err error) bool {
	return errors.Is(err, audit.ErrAlarm) || errors.Is(err, audit.ErrReceipt)
}

// hurry is how long a delivery goes on once the operator wants to stop.
const hurry = 5 * time.Second

// deliver sends what is spooled, this run among it. What cannot be sent stays.
func (r *repeats) deliver(ctx context.Context) {
	r.progress.Step(r.repeat() + "delivering")
	if r.late = nil; r.sent == nil {
		r.sent = map[string]delivered{}
	}
	sending, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(hurry, cancel) })()
	err := r.flush(sending, r.rig.Spool, r.rig.Destination, func(it spool.Item, d delivered) {
		if d.err != nil {
			d.err = undelivered(it, d.err)
			r.late = append(r.late, d.err)
		}
		r.sent[it.ID] = d
	})
	if err != nil {
		r.late = append(r.late, err)
	}
}

// undelivered is a delivery's failure in words that stand alone.
func undelivered(it spool.Item, err error) error {
	if errors.Is(err, context.Canceled) {
		return fault.New("deliver", it.ID, fmt.Errorf("%w: stopped by the operator", deliver.ErrUnreachable)).
			WithHint("the run stays in the spool and is sent with the next run, or by: agent spool send")
	}
	return err
}

// view is the run as it is printed: judged by the collector where it answered,
// by the same code here where it did not.
func (r *repeats) view(out *capture.Outcome) answer.Run {
	run := out.Run
	d, ok := r.sent[run.ID]
	j := d.reply.Judgement
	if !ok || len(d.reply.Receipt.Leaf) == 0 {
		j = r.judge(out)
	}
	st := answer.NoStatistics("no timing log belongs to this run")
	if out.Durations != nil {
		st = answer.Describe(out.Durations)
	} else if code, detail := refusal(out); code != "" {
		st = answer.NoStatistics(code + ": " + detail)
	}
	v := answer.Summarise(run, out.SHA256, st, j).Brief()
	v.Receipt = answer.ReceiptOf(d.reply.Receipt)
	switch {
	case d.err != nil:
		v.Spooled = d.err.Error()
	case !ok && len(r.late) > 0:
		v.Spooled = r.late[len(r.late)-1].Error()
	}
	return v
}

// judge does what the collector would do, but for the mark, which only it has.
func (r *repeats) judge(out *capture.Outcome) drift.Judgement {
	var logs []drift.Log
	for _, l := range out.Run.Logs {
		d := drift.Log{Name: l.Attachment, Refused: l.Refused, Detail: l.Detail}
		for _, m := range l.Marks {
			d.Marks = append(d.Marks, drift.LogMark{Code: m.Code, Detail: m.Detail})
		}
		logs = append(logs, d)
	}
	in := judge.Input(out.Run, logs)
	in.Setup = r.job.Setup
	return drift.Judge(in)
}
