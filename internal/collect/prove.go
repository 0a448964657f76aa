package collect

import (
	"context"
	"errors"
	"fmt"
	"io"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/dossier"
	"witnessmark/internal/fault"
	"witnessmark/internal/record"
)

// Dossier implements answer.Book.
func (c *Collector) Dossier(_ context.Context, id string, after []byte, w io.Writer) error {
	if c.archive.ReadOnly() {
		return fault.New("make dossier", id, fmt.Errorf("%w, and that seals a dossier", archive.ErrReadOnly)).
			WithHint("a copy seals none, so ask the collector that it follows; beside an archive that is no copy put the key of its trail")
	}
	for {
		contents, err := c.contents(id, after)
		if err != nil {
			return err
		}
		err = contents.Make(w, c.archive.Origin(), c.sealBy(contents.Proof.VerifierKey))
		switch {
		case errors.Is(err, errRekeyed): // before anything was written
			continue
		case errors.As(err, new(*dossier.Fault)):
			err = unmade(id, err)
		}
		return err
	}
}

// errRekeyed is returned where the key of the trail is another than it was.
var errRekeyed = errors.New("the key of the trail was changed meanwhile")

// sealBy signs by one key of the trail, while that is the present one.
func (c *Collector) sealBy(key string) func(text string) ([]byte, error) {
	return func(text string) ([]byte, error) {
		seal, err := c.archive.Sign(text)
		if err == nil && c.archive.VerifierKey() != key { // no key comes back
			err = errRekeyed
		}
		return seal, err
	}
}

// unmade is the error of a dossier that cannot be made of what is kept.
func unmade(id string, err error) error {
	return fault.New("make dossier", id, err).WithHint(archive.CheckHint)
}

// contents gathers what proves a run.
func (c *Collector) contents(id string, after []byte) (out dossier.Contents, err error) {
	if id, err = c.resolve(id); err != nil {
		return out, err
	}
	st, err := c.archive.Run(id)
	if err != nil {
		return out, meaning(err)
	}
	run, err := record.Decode(st.Signed.Bytes)
	if err != nil {
		return out, unmade(id, err)
	}
	out.Signed = st.Signed
	for _, a := range run.Attachments {
		b, err := c.archive.Part(id, a.Name)
		if err != nil {
			return out, err
		}
		out.Files = append(out.Files, b)
	}
	s, err := answer.ParseSummary(st.Summary)
	if err != nil {
		return out, unmade(id, err)
	}
	if mark := s.Judgement.MarkRun; mark != "" {
		st, err := c.archive.Run(mark)
		if err != nil {
			return out, err
		}
		out.Mark = &st.Signed
	}
	out.Proof, err = c.proof(run, s.Judgement.MarkRun, after)
	return out, err
}

func (c *Collector) proof(run *record.Run, mark string, after []byte) (dossier.Proof, error) {
	p, err := c.archive.Prove(run.ID, mark, run.Setup, after)
	out := dossier.Proof{VerifierKey: p.VerifierKey, Head: p.Head, Receipt: p.Receipt, Consistency: p.Consistency, Summary: p.Summary, Chain: p.Chain}
	for _, e := range p.Entries {
		out.Entries = append(out.Entries, dossier.ProvedEntry(e))
	}
	for i, k := range p.Keys {
		out.Keys = append(out.Keys, dossier.Succeeded{Note: string(k.Note), Consistency: k.Consistency, Certificates: string(p.Words[i])})
	}
	for _, x := range p.Losses {
		out.Losses = append(out.Losses, dossier.Loss{Entry: x.Index, Certificates: string(x.Chain)})
	}
	if p.After != nil {
		out.After = &dossier.After{Head: string(after), Consistency: p.After.Consistency}
	}
	for _, w := range p.Cosigned {
		out.Cosigned = append(out.Cosigned, dossier.Cosigned{Witness: w.Witness, Head: string(w.Note), Consistency: w.Consistency})
	}
	return out, meaning(err)
}
