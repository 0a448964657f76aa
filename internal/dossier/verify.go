package dossier

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

// Keys are those that the reader has from elsewhere. Where there are none of a
// sort, the key in the file is used and the report says so.
type Keys struct {
	Collectors []string // verifier keys, as the signed note format spells them
	// Rigs are SHA-256 of rigs' public keys, or of the authorities' that certify them,
	// in hexadecimal, or at least the first 16 digits.
	Rigs      []string
	Witnesses []string // verifier keys of witnesses; each must have signed a head with the run
}

// rig says whether a rig's key, or its authority's, was given, by its SHA-256.
func (k Keys) rig(sum string) bool {
	return slices.ContainsFunc(k.Rigs, func(given string) bool { return len(given) >= 16 && strings.HasPrefix(sum, given) })
}

// Line is one thing that holds.
type Line struct {
	Member string `json:"member"`
	Holds  string `json:"holds"`
	Doubt  bool   `json:"doubt,omitempty"` // it is worth a second look, and proves nothing wrong
}

// Report is what verification found.
type Report struct {
	Run      string         `json:"run"`
	Rig      string         `json:"rig"`
	Standing drift.Standing `json:"standing"` // now, as far as the file knows
	Lines    []Line         `json:"lines"`
	// Otherwise are members of a file of an earlier edition that say something else
	// than comes out by the present rules; what that is the lines say.
	Otherwise []string `json:"otherwise,omitempty"`
	// Failed is the first thing that does not hold, nil when all does.
	Failed *Fault `json:"-"`
}

// Verify checks all of a file. The error is a [Fault], and in the report, too, with
// what held before it.
func Verify(b []byte, known Keys) (Report, error) {
	v := &verification{known: known}
	return v.verify(b)
}

func (v *verification) verify(b []byte) (Report, error) {
	err := v.all(b)
	if err != nil && !errors.As(err, &v.report.Failed) {
		v.report.Failed = &Fault{container, err}
	}
	if v.report.Failed != nil {
		return v.report, v.report.Failed
	}
	return v.report, nil
}

type verification struct {
	*opened
	known   Keys
	report  Report
	edition int
	line    trail.Line // the trail's keys, by the file
	head    trail.Head
	own     trail.Entry // the record's
	summary answer.Summary
	logs    []drift.Log // as they were read again for the statistics
	after   story
}

func (v *verification) holds(member, format string, args ...any) {
	v.report.Lines = append(v.report.Lines, Line{Member: member, Holds: fmt.Sprintf(format, args...)})
}

func (v *verification) doubt(member, format string, args ...any) {
	v.report.Lines = append(v.report.Lines, Line{Member: member, Holds: fmt.Sprintf(format, args...), Doubt: true})
}

func (v *verification) all(b []byte) error {
	members, err := unpack(b)
	if err != nil {
		return err
	}
	// The seal first: it names what was altered, whatever that makes of the rest.
	if err := v.collectorKey(members); err != nil {
		return err
	}
	if err := v.sealed(members); err != nil {
		return err
	}
	if v.opened, err = open(members, v.edition); err != nil {
		return err
	}
	v.report.Run, v.report.Rig = v.run.ID, v.run.Rig
	for _, step := range []func() error{
		v.record, v.files, v.heads, v.successions, v.receipt, v.entries, v.keepersKeys, v.followed, v.chained, v.losses, v.olderHead, v.witnesses, v.summarised, v.statistics, v.flags, v.cover,
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return v.whole(b)
}

func (v *verification) collectorKey(members []member) error {
	b, err := find(members, keyName)
	if err != nil {
		return err
	}
	text := strings.TrimSuffix(string(b), "\n")
	present, err := note.NewVerifier(text)
	if err != nil {
		return at(keyName, err)
	}
	if !signed(members, sealName, present) && !signed(members, headName, present) {
		return at(keyName, fmt.Errorf("neither the %s nor %s is signed with it", sealName, headName))
	}
	keys, err := keysIn(members)
	if err != nil {
		return err
	}
	if v.line, err = lineOf(text, keys); err != nil {
		return at(keysName, err)
	}
	if len(v.known.Collectors) == 0 {
		v.doubt(keyName, "the collector's key is taken from the file: compare %s with the one that it publishes", text)
		return nil
	}
	return v.knownKey()
}

// signed says whether a member is a note that the key signed.
func signed(members []member, name string, key note.Verifier) bool {
	b, err := find(members, name)
	if err != nil {
		return false
	}
	_, err = note.Open(b, note.VerifierList(key))
	return err == nil
}

// sealed holds every member against the list that the collector signed.
func (v *verification) sealed(all []member) error {
	seal, err := find(all, sealName)
	if err != nil {
		return err
	}
	if all[len(all)-1].name != sealName {
		return at(short(all[len(all)-1].name), errors.New("it stands behind the seal"))
	}
	present, err := note.NewVerifier(v.line.Present())
	if err != nil {
		return at(keyName, err)
	}
	n, err := note.Open(seal, note.VerifierList(present))
	if err != nil {
		return at(sealName, err)
	}
	lines := strings.SplitAfter(n.Text, "\n")
	origin, ok := strings.CutSuffix(lines[0], "/dossier\n")
	if !ok || len(lines) < 3 || origin != n.Sigs[0].Name || len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 0 {
		return at(sealName, errors.New("it is no seal, or signed by others too"))
	}
	if _, err := fmt.Sscanf(lines[1], "edition %d\n", &v.edition); err != nil {
		return at(sealName, errors.New("it names no edition"))
	}
	if v.edition > Edition {
		return at(sealName, fmt.Errorf("%w: it is of edition %d of the rules, and this program knows %d", ErrNewer, v.edition, Edition))
	}
	if v.edition < 1 {
		return at(sealName, fmt.Errorf("there is no edition %d of the rules", v.edition))
	}
	if lines[1] != editionLine(v.edition) {
		return at(sealName, errors.New("it is not spelt as it is written"))
	}
	members := all[:len(all)-1]
	if err := against(lines[2:len(lines)-1], members); err != nil {
		return err
	}
	v.holds(sealName, "the collector %s sealed the file, %d members, under edition %d of the rules", origin, len(members), v.edition)
	return nil
}

// against holds members against the seal's lines and names the first that is not
// what its line says.
func against(lines []string, members []member) error {
	for i, line := range lines {
		_, name, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		_, name, _ = strings.Cut(name, " ")
		if _, err := find(members, name); err != nil {
			return err
		}
		if i >= len(members) || members[i].name != name {
			return at(name, fmt.Errorf("it is not at its place, %d", i+1))
		}
		if members[i].line() != line {
			return at(name, errors.New("it is not what the collector sealed"))
		}
	}
	if len(members) > len(lines) {
		return at(short(members[len(lines)].name), errors.New("it was not there when the collector sealed the file"))
	}
	return nil
}

func (v *verification) record() error {
	name := fmt.Sprintf("%x", sha256.Sum256(v.Signed.PublicKey))
	if len(v.known.Rigs) == 0 {
		v.doubt(sigName, "the rig's key is taken from the file: compare %s with the one that the rig's owner names", name)
	} else if !v.known.rig(name) {
		vouched, err := v.vouched()
		if err != nil {
			return at(chainName, err)
		}
		if !vouched {
			return at(sigName, fmt.Errorf("the rig's key %s and its authority's are %w", name, ErrNotGiven))
		}
	}
	v.holds(recordName, "run %s of rig %s, sha256 %x, is signed by the key of sha256 %s; by the rig's clock it started at %s UTC", v.run.ID, v.run.Rig, v.Signed.SHA256(), name, screen.At(v.run.Started))
	if v.run.Played != "" {
		v.doubt(recordName, "the run was played: %s", v.run.Played)
	}
	return nil
}

func (v *verification) files() error {
	for i, a := range v.run.Attachments {
		name := fileName(i, a.Name)
		if got := record.Attach(a.Name, a.Kind, v.Files[i]); got != a {
			return at(name, errors.New("it is not the file that the record binds"))
		}
		v.holds(name, "%s, %d bytes, is what the record binds", a.Name, a.Size)
	}
	if v.run.Setup != nil {
		v.holds(setupName, "the setup %s is the one in the record", v.run.Setup.Label)
	}
	return nil
}

func (v *verification) heads() (err error) {
	if v.head, err = trail.OpenHead(v.Proof.Head, v.line); err == nil && signatures(v.Proof.Head) != 1 {
		err = errOthers
	}
	if err != nil {
		return at(headName, err)
	}
	v.holds(headName, "the collector signed a trail of %s", screen.Many(int(v.head.Size), "entry", "entries"))
	return nil
}

var errOthers = errors.New("it is signed by others, too, who have no part in it")

// signatures counts those on a note that was opened.
func signatures(msg []byte) int {
	_, sigs, _ := bytes.Cut(msg, []byte("\n\n"))
	return bytes.Count(sigs, []byte("\n"))
}

func (v *verification) receipt() (err error) {
	r := v.Proof.Receipt
	var then trail.Head
	if v.own, then, err = r.Check(v.line, trail.KindRecord, v.Signed.SHA256()); err != nil {
		return at(receiptName, err)
	}
	if v.own.Subject != v.run.ID || v.own.Actor != v.run.Rig || v.own.Length != int64(len(v.Signed.Bytes)) {
		return at(receiptName, errors.New("its entry is about another record"))
	}
	if r.SeenSize != 0 || r.Consistency != nil {
		return at(receiptName, errors.New("it holds more than the receipt"))
	}
	if signatures(r.Head) != 1 {
		return at(receiptName, errOthers)
	}
	if err := trail.CheckConsistency(then, v.head, v.Proof.Consistency); err != nil {
		return at(receiptName, err)
	}
	v.holds(receiptName, "the collector kept it as entry %d of its trail at %s UTC, by its own clock", r.Index, screen.At(v.own.At))
	v.holds(receiptName, "from its size of then, %d, to that of now, %d, the trail only grew", then.Size, v.head.Size)
	return nil
}

func (v *verification) summarised() (err error) {
	if v.summary, err = answer.ParseSummary(v.Proof.Summary); err != nil {
		return at(summaryName, err)
	}
	j := v.summary.Judgement
	switch want := fmt.Sprintf("%s, summary sha256 %x", j.Standing, sha256.Sum256(v.Proof.Summary)); {
	case v.own.Text == "":
		v.doubt(summaryName, "the trail does not bind what was made of this run; the collector's seal does")
	case v.own.Text != want:
		return at(summaryName, errors.New("it is not what the run's entry in the trail binds"))
	default:
		v.holds(summaryName, "the run was judged %s; the run's entry in the trail binds all that was made of it", j.Standing)
	}
	if j.Standing != drift.StandingOf(j.Flags) {
		return at(summaryName, errors.New("its standing is not what its flags make"))
	}
	v.report.Standing = j.Standing
	if v.after.retracted {
		v.report.Standing = drift.Voided
	}
	return nil
}

// whole holds the bytes of the container against those that the members make.
func (v *verification) whole(b []byte) error {
	rest := expected(b)
	if err := pack(&rest, v.members, v.edition); err != nil || len(rest) > 0 {
		return at(container, errMore)
	}
	return nil
}

var errMore = errors.New("it holds more than its members, or holds them in another way")

// expected is what is still to be written; anything else is refused.
type expected []byte

func (e *expected) Write(p []byte) (int, error) {
	rest, ok := bytes.CutPrefix(*e, p)
	if !ok {
		return 0, errMore
	}
	*e = rest
	return len(p), nil
}
