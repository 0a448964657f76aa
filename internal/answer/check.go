package answer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/trail"
	pb "witnessmark/proto/witnessmark/v1"
)

// maxRecord is the largest record that is read; a collector takes none above it.
const maxRecord = 64 << 20

func (c Client) show(ctx context.Context, id string) (Detail, *record.Run, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.ShowRun(ctx, &pb.ShowRunRequest{Id: id})
	if err != nil {
		return Detail{}, nil, c.explain(err)
	}
	first, err := st.Recv()
	if err != nil {
		return Detail{}, nil, c.explain(err)
	}
	m := first.GetDetail()
	d := Detail{Signed: record.Signed{PublicKey: m.GetPublicKey(), Signature: m.GetSignature()}}
	if d.Signed.Bytes, err = c.receive(min(m.GetRecordSize(), maxRecord), func() ([]byte, error) {
		next, err := st.Recv()
		return next.GetRecord(), err
	}); err != nil {
		return Detail{}, nil, err
	}
	var r *record.Run
	if d.Summary, err = summaryOf(m.GetSummary()); err == nil {
		if d.Receipt, err = record.ReceiptOf(m.GetSummary().GetReceipt()); err == nil {
			r, err = d.check(id)
		}
	}
	if err != nil {
		return Detail{}, nil, doubt("show run", id, err)
	}
	return d, r, nil
}

// receive joins what comes until the stream ends, and gives up as soon as it is
// more than was announced.
func (c Client) receive(most uint64, next func() ([]byte, error)) ([]byte, error) {
	var b []byte
	for {
		p, err := next()
		switch {
		case errors.Is(err, io.EOF):
			return b, nil
		case err != nil:
			return nil, c.explain(err)
		case uint64(len(b)+len(p)) > most:
			return nil, doubt("read answer", c.where, fmt.Errorf("more than the %d bytes that were announced are sent", most))
		}
		b = append(b, p...)
	}
}

// check decodes the record and holds everything that came with it against it.
func (d Detail) check(asked string) (*record.Run, error) {
	sum := d.Signed.SHA256()
	if sum != d.Summary.RecordSHA256 {
		return nil, errors.New("the record's bytes do not have the hash it is kept under")
	}
	if err := d.Signed.Verify(); err != nil {
		return nil, err
	}
	r, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		return nil, err
	}
	setup := ""
	if r.Setup != nil {
		setup = r.Setup.Label
	}
	switch s := d.Summary; {
	case !means(asked, r.ID):
		return nil, fmt.Errorf("another run came, %s", r.ID)
	case s.ID != r.ID || s.Rig != r.Rig || s.Workload != r.Workload.Name || s.Setup != setup || s.Played != r.Played,
		s.Started.UnixNano() != r.Started.UnixNano(), s.Configuration != r.Before.ConfigurationSHA256():
		return nil, errors.New("the summary is not of this record")
	case d.Receipt.RecordSHA256 != trail.Digest(sum):
		return nil, errors.New("the receipt is not of this record")
	}
	return r, nil
}

// means says whether letters of an id may stand for it: its beginning, or the
// beginning of its last part.
func means(letters, id string) bool {
	return letters != "" && (strings.HasPrefix(id, letters) || strings.HasPrefix(id[strings.LastIndexByte(id, '-')+1:], letters))
}

// doubt is an error about an answer that does not hold.
func doubt(what, where string, err error) error {
	return fault.New(what, where, err).WithHint("do not use this answer; check the archive with whoever keeps it")
}

// Pick finds an attachment of a run; name "" is the run's only timing log. The
// error wraps ErrNotFound and names what there is.
func Pick(r *record.Run, name string) (record.Attachment, error) {
	var names []string
	for _, a := range r.Attachments {
		names = append(names, a.Name)
	}
	hint := "the run has no attachment"
	if len(names) > 0 {
		hint = "its attachments are: " + strings.Join(names, ", ")
	}
	if name == "" {
		if len(r.Logs) != 1 {
			return record.Attachment{}, fault.New("read timing log", r.ID, fmt.Errorf("%w: the run has %d timing logs", ErrNotFound, len(r.Logs))).WithHint(hint)
		}
		name = r.Logs[0].Attachment
	}
	i := slices.Index(names, name)
	if i < 0 {
		return record.Attachment{}, fault.New("read attachment", r.ID+" "+name, ErrNotFound).WithHint(hint)
	}
	return r.Attachments[i], nil
}
