package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/audit"
	"witnessmark/internal/capture"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/judge"
	"witnessmark/internal/spool"
)

// post carries what is spooled to where it is to go.
func (s *session) post(sp *spool.Spool) *dispatch.Post {
	return &dispatch.Post{Spool: sp, Auditor: s.openAuditor, Connect: s.way}
}

func (s *session) way(ctx context.Context, destination string) (*dispatch.Way, error) {
	c, err := s.connect(ctx, destination)
	if err != nil {
		return nil, err
	}
	return &dispatch.Way{ClientConnInterface: c, Where: c.Where, Close: c.Close}, nil
}

// hurry is how long a delivery goes on once the operator wants to stop.
const hurry = 5 * time.Second

// deliver sends what is spooled, this run among it. What cannot be sent stays.
func (r *repeats) deliver(ctx context.Context) {
	r.progress.Step(r.repeat() + "delivering")
	if r.late, r.held = nil, 0; r.sent == nil {
		r.sent = map[string]dispatch.Delivered{}
	}
	sending, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(hurry, cancel) })()
	err := r.post(r.rig.Spool).Flush(sending, r.rig.Destination, func(it spool.Item, d dispatch.Delivered) {
		var held audit.Unwitnessed
		if d.Err != nil {
			d.Err = undelivered(it, d.Err)
		}
		switch {
		case errors.As(d.Err, &held) && !held.Overdue():
			r.held++
		case d.Err != nil:
			r.late = append(r.late, d.Err)
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
	if errors.Is(err, audit.ErrUnwitnessed) {
		return fault.New("let run go", it.ID, err).WithHint(fault.HintOf(err))
	}
	return err
}

// view is the run as it is printed: judged by the collector where it answered,
// by the same code here where it did not.
func (r *repeats) view(out *capture.Outcome) answer.Run {
	run := out.Run
	d, ok := r.sent[run.ID]
	j := d.Reply.Judgement
	if !ok || len(d.Reply.Receipt.Leaf) == 0 {
		j = r.judge(out)
	}
	st := answer.NoStatistics("no timing log belongs to this run")
	if out.Durations != nil {
		st = answer.Describe(out.Durations)
	} else if code, detail := refusal(out); code != "" {
		st = answer.NoStatistics(code + ": " + detail)
	}
	v := answer.Summarise(run, out.SHA256, st, j).Brief()
	v.Receipt = answer.ReceiptOf(d.Reply.Receipt)
	switch {
	case d.Err != nil:
		v.Spooled = d.Err.Error()
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
