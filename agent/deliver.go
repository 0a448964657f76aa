package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/drift"
	"witnessmark/internal/spool"
)

// delivered is what came of one run's delivery.
type delivered struct {
	reply deliver.Reply
	err   error
}

// flush sends the spooled runs for one destination, oldest first. It goes on
// after a refusal and stops when the collector cannot be reached.
func (s *session) flush(ctx context.Context, sp *spool.Spool, destination string, tell func(spool.Item, delivered)) error {
	items, listing := sp.Pending()
	var conn *collect.Connection
	for _, it := range items {
		if it.Destination != destination {
			continue
		}
		if conn == nil {
			var err error
			if conn, err = s.connect(ctx, destination); err != nil {
				return errors.Join(err, listing)
			}
			defer conn.Close()
		}
		d := send(ctx, conn, sp, it)
		tell(it, d)
		if d.err != nil && !errors.Is(d.err, deliver.ErrRefused) {
			return errors.Join(d.err, listing)
		}
	}
	return listing
}

// send delivers one run and lets it go once its receipt is kept.
func send(ctx context.Context, conn *collect.Connection, sp *spool.Spool, it spool.Item) delivered {
	var parts []deliver.Part
	for i, a := range it.Attachments {
		parts = append(parts, deliver.Part{Attachment: a, Open: func() (io.ReadCloser, error) { return it.Part(i) }})
	}
	reply, err := deliver.Send(ctx, conn, it.Signed, parts)
	if err != nil {
		return delivered{err: err}
	}
	receipt, err := json.Marshal(answer.ReceiptOf(reply.Receipt))
	if err == nil {
		err = sp.Done(it.ID, receipt)
	}
	return delivered{reply, err}
}

// deliver sends what is spooled, this run among it. What cannot be sent stays.
func (r *repeats) deliver(ctx context.Context) {
	r.progress.Step(r.repeat() + "delivering")
	if r.sent == nil {
		r.sent = map[string]delivered{}
	}
	r.failed = r.flush(context.WithoutCancel(ctx), r.rig.Spool, r.rig.Destination, func(it spool.Item, d delivered) { r.sent[it.ID] = d })
}

// view is the run as it is printed: judged by the collector where it answered,
// by the same code here where it did not.
func (r *repeats) view(out *capture.Outcome) answer.Run {
	run := out.Run
	d, ok := r.sent[run.ID]
	j := d.reply.Judgement
	if !ok || d.err != nil {
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
	case !ok && r.failed != nil:
		v.Spooled = r.failed.Error()
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
	in := collect.RunInput(out.Run, logs)
	in.Setup = r.job.Setup
	return drift.Judge(in)
}
