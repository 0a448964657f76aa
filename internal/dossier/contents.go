package dossier

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"witnessmark/internal/record"
	"witnessmark/internal/trail"
)

// Contents is all that a dossier holds but its cover, which follows from it.
type Contents struct {
	Signed record.Signed
	Files  [][]byte // the attachments, in the record's order
	Mark   *record.Signed
	Proof  Proof
}

// Proof shows a run's place in the trail and that of all that the trail tells of
// it, under one head.
type Proof struct {
	VerifierKey string
	Head        []byte // the signed note
	Receipt     trail.Receipt
	Consistency []trail.Hash  // from the receipt's tree to the head's
	Entries     []ProvedEntry // by index
	Summary     []byte        // as kept: the run's own entry has its hash
	Cosigned    []Cosigned    // heads that witnesses signed beside the collector
	Keys        []Succeeded   // of the trail, one after the other; nil when it had one alone
	After       *After        // how it belongs to an older file; nil for none
	Chain       []byte        // the certificates of the record's key; nil for none
	Losses      []Loss        // of the rig's keys, that keepers have signed; by entry
}

// Cosigned is a head that has the run's entry and that a witness signed, too.
type Cosigned struct {
	Witness     string       `json:"witness"` // its key
	Head        string       `json:"head"`    // the signed note
	Consistency []trail.Hash `json:"consistency"`
}

// ProvedEntry is a leaf of the trail with the path from it to the root.
type ProvedEntry struct {
	Index int64        `json:"index"`
	Leaf  []byte       `json:"leaf"`
	Proof []trail.Hash `json:"proof"`
}

// Edition is of the rules by which statistics, flags and cover are worked out. It
// goes up with every change to what they give for the same run, and judgedSince or
// wordedSince with it.
const Edition = 2

// spelledSince is the edition from which members have a date that is one, and the
// receipt's digest is text.
const spelledSince = 2

// The members by name; files are named by fileName.
const (
	coverName    = "cover.txt"
	recordName   = "record"
	sigName      = "record.sig"
	chainName    = "rig/chain.pem"
	lossesName   = "rig/losses.json"
	setupName    = "setup.toml"
	markName     = "mark/record"
	markSigName  = "mark/record.sig"
	keyName      = "trail/key"
	keysName     = "trail/keys.json"
	afterName    = "trail/after.json"
	receiptName  = "trail/receipt.json"
	summaryName  = "trail/summary"
	entriesName  = "trail/entries.json"
	headName     = "trail/head"
	cosignedName = "trail/cosigned.json"
	sealName     = "seal"
	filesFolder  = "files/"
	mostMembers  = 10000
	mostNameSize = 300
)

// member is one file of the container.
type member struct {
	name string
	data []byte
}

// signature is record.sig.
type signature struct {
	PublicKey []byte `json:"public_key"`
	Signature []byte `json:"signature"`
}

// receiptFile is trail/receipt.json.
type receiptFile struct {
	Receipt     receiptText  `json:"receipt"`
	Consistency []trail.Hash `json:"consistency"`
}

// receiptText is a receipt whose digest is spelt as the hashes are, in base64, and not
// as the list of numbers that JSON has for an array.
type receiptText struct {
	RecordSHA256 []byte
	trail.Receipt
}

// firstReceiptFile is trail/receipt.json in files of before spelledSince.
type firstReceiptFile struct {
	Receipt     trail.Receipt `json:"receipt"`
	Consistency []trail.Hash  `json:"consistency"`
}

// Make writes the file, with the seal that sign makes a note of by the trail's key.
// It does not verify: Verify what it writes.
func (c Contents) Make(w io.Writer, origin string, sign func(text string) ([]byte, error)) error {
	members, err := c.members()
	if err != nil {
		return err
	}
	seal, err := sign(sealText(origin, Edition, members))
	if err != nil {
		return at(sealName, err)
	}
	return pack(w, append(members, member{sealName, seal}), Edition)
}

// sealText lists the members. Its first line keeps it from being taken for a head.
func sealText(origin string, edition int, members []member) string {
	var b strings.Builder
	b.WriteString(origin + "/dossier\n" + editionLine(edition))
	for _, m := range members {
		b.WriteString(m.line())
	}
	return b.String()
}

func editionLine(edition int) string { return fmt.Sprintf("edition %d\n", edition) }

// line is the member's line in the seal.
func (m member) line() string {
	return fmt.Sprintf("%x %d %s\n", sha256.Sum256(m.data), len(m.data), m.name)
}

func (c Contents) members() ([]member, error) {
	run, err := record.Decode(c.Signed.Bytes)
	if err != nil {
		return nil, at(recordName, err)
	}
	if len(c.Files) != len(run.Attachments) {
		return nil, at(recordName, fmt.Errorf("it binds %d files, and %d are here", len(run.Attachments), len(c.Files)))
	}
	cover, err := c.cover(run)
	if err != nil {
		return nil, err
	}
	ms := []member{{coverName, cover}, {recordName, c.Signed.Bytes}, {sigName, signatureOf(c.Signed)}}
	if c.Proof.Chain != nil {
		ms = append(ms, member{chainName, c.Proof.Chain})
	}
	if len(c.Proof.Losses) > 0 {
		ms = append(ms, member{lossesName, text(c.Proof.Losses)})
	}
	for i, a := range run.Attachments {
		ms = append(ms, member{fileName(i, a.Name), c.Files[i]})
	}
	if run.Setup != nil {
		ms = append(ms, member{setupName, run.Setup.Source})
	}
	if c.Mark != nil {
		ms = append(ms, member{markName, c.Mark.Bytes}, member{markSigName, signatureOf(*c.Mark)})
	}
	ms = append(ms,
		member{keyName, []byte(c.Proof.VerifierKey + "\n")})
	if len(c.Proof.Keys) > 0 {
		ms = append(ms, member{keysName, text(c.Proof.Keys)})
	}
	ms = append(ms,
		member{receiptName, text(receiptFile{receiptText{c.Proof.Receipt.RecordSHA256[:], c.Proof.Receipt}, c.Proof.Consistency})},
		member{summaryName, c.Proof.Summary},
		member{entriesName, text(c.Proof.Entries)},
		member{headName, c.Proof.Head})
	if c.Proof.After != nil {
		ms = append(ms, member{afterName, text(*c.Proof.After)})
	}
	if len(c.Proof.Cosigned) > 0 {
		ms = append(ms, member{cosignedName, text(c.Proof.Cosigned)})
	}
	return ms, nil
}

func signatureOf(s record.Signed) []byte { return text(signature{s.PublicKey, s.Signature}) }

// text is the one spelling of a JSON member. Its values hold only what JSON can.
func text(v any) []byte {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		panic("dossier: " + err.Error())
	}
	return append(b, '\n')
}

// fileName gives an attachment a name that is safe wherever the zip is unpacked.
func fileName(i int, name string) string {
	safe := strings.Map(func(r rune) rune {
		if r == '.' || r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return '_'
	}, name)
	if len(safe) > 100 {
		safe = safe[len(safe)-100:]
	}
	return fmt.Sprintf("%s%d-%s", filesFolder, i+1, safe)
}

// firstDay is 1980-01-01 as the format spells dates (PKWARE's APPNOTE, section 4.4.6):
// months and days count from 1, so that 0 is none.
const firstDay = 1<<5 | 1

// pack writes the container: no compression and one date for all, so that the bytes
// do not hang on a library's version or on the hour.
func pack(to io.Writer, members []member, edition int) error {
	z := zip.NewWriter(to)
	for _, m := range members {
		h := &zip.FileHeader{Name: m.name, Method: zip.Store}
		if edition >= spelledSince {
			h.ModifiedDate = firstDay //lint:ignore SA1019 Modified would add a field with a time zone's date
		}
		w, err := z.CreateHeader(h)
		if err == nil {
			_, err = w.Write(m.data)
		}
		if err != nil {
			return at(m.name, err)
		}
	}
	return z.Close()
}

// ErrNotProved is returned when something in a dossier does not hold.
var ErrNotProved = errors.New("it does not hold")

// ErrNewer is returned for a file whose rules this program does not know yet.
var ErrNewer = errors.New("it takes a later version to check it")

// ErrNotGiven is returned for a file that none of the keys which the reader gave has
// signed: it may be of another, or of before a key was changed.
var ErrNotGiven = errors.New("not among the keys that were given")

// Fault names the member that does not hold.
type Fault struct {
	Member string
	Why    error
}

func (f *Fault) Error() string { return f.Member + ": " + f.Why.Error() }

// Unwrap gives the reason, and ErrNotProved.
func (f *Fault) Unwrap() []error { return []error{f.Why, ErrNotProved} }

func at(name string, err error) error { return &Fault{name, err} }
