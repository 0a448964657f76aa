package dossier

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"witnessmark/internal/answer"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

// cover is the page that a person reads: it follows from the other members.
func (c Contents) cover(run *record.Run) ([]byte, error) {
	s, err := answer.ParseSummary(c.Proof.Summary)
	if err != nil {
		return nil, at(summaryName, err)
	}
	after, err := c.tell(run)
	if err != nil {
		return nil, err
	}
	r := s.Retracted(after.history()).Brief().WithRecord(run)
	r.Receipt = answer.ReceiptOf(c.Proof.Receipt)
	var b bytes.Buffer
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("Dossier of run %s\n%s\n", run.ID, strings.Repeat("=", len("Dossier of run ")+len(run.ID)))
	line("This file shows what the rig signed of one timed run: what was measured, on what and in")
	line("which state; when its collector kept that, and that nothing of it was altered since. This")
	line("page alone proves nothing. Check the file, on any machine and without asking anybody, with:")
	line("collector verify FILE")
	line("")
	line("All times are UTC. When the run started and what the rig did is by the rig's clock; when")
	line("something was kept, accepted, admitted or revoked is by the collector's. People are named as")
	line("the collector wrote them down; where they signed something themselves, it is said.\n")
	if err := screen.Run(&b, r); err != nil {
		return nil, err
	}
	if err := c.signatures(line, run, after); err != nil {
		return nil, err
	}
	if err := screen.FactsOfRun(&b, *r.Facts); err != nil {
		return nil, err
	}
	if run.Setup != nil {
		line("\nDeclared setup %s, %s", screen.Clean(run.Setup.Label), screen.Clean(run.Setup.FileName))
		for l := range strings.Lines(string(run.Setup.Source)) {
			line("  %s", screen.Clean(strings.TrimRight(l, "\r\n")))
		}
	}
	return b.Bytes(), nil
}

// signatures tells who signed what and when, and what came after.
func (c Contents) signatures(line func(string, ...any), run *record.Run, after story) error {
	line("\nWho signed what")
	line("  rig %s signed the record with key %s", screen.Clean(run.Rig), record.Fingerprint(c.Signed.PublicKey))
	c.keyLines(line, after.keys)
	if e, err := trail.ParseEntry(c.Proof.Receipt.Leaf); err == nil {
		line("  the collector kept it as entry %d of its trail, %s UTC", c.Proof.Receipt.Index, screen.At(e.At))
	}
	if after.declared != nil {
		line("  its setup came into force on the rig with entry %d, %s UTC", after.declared.index, screen.At(after.declared.At))
	}
	if after.marked != nil {
		line("  its mark was accepted by %s, %s UTC: %s", screen.Clean(after.marked.Actor), screen.At(after.marked.At), screen.Clean(after.marked.Text))
	}
	line("  the collector's heads and this file's seal are signed with %s", screen.Clean(c.Proof.VerifierKey))
	after.trailKeys(line)
	if err := c.witnessLines(line); err != nil {
		return err
	}
	line("\nWhat came after")
	later := slices.DeleteFunc(slices.Clone(after.restores), func(r told) bool { return r.index <= c.Proof.Receipt.Index })
	if after.keys.after(line, c.Proof.Receipt.Index)+len(after.changes)+len(later) == 0 {
		line("  nothing that this file knows of")
	}
	for _, x := range after.changes {
		line("  %s UTC, entry %d: %v by %s: %s", screen.At(x.At), x.index, x.Kind, screen.Clean(x.Actor), screen.Clean(x.Text))
	}
	for _, x := range later {
		line("  %s UTC, entry %d: the archive was restored by %s: %s", screen.At(x.At), x.index, screen.Clean(x.Actor), screen.Clean(x.Text))
	}
	return nil
}
