package trail

import (
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Head describes a whole tree: which collector's, how many entries, which root.
type Head struct {
	Origin string // names the trail and its key, such as "collector.dome.example/trail"
	Size   int64  // entries
	Root   Hash
}

// EmptyHead is the head of origin's trail before its first entry.
func EmptyHead(origin string) Head {
	root, err := tlog.TreeHash(0, nil)
	if err != nil {
		panic("trail: the empty tree has a constant root") // it reads nothing
	}
	return Head{Origin: origin, Root: root}
}

// Text is the head's checkpoint text: origin, size, root in base64, a line each.
func (h Head) Text() string {
	return h.Origin + "\n" + strconv.FormatInt(h.Size, 10) + "\n" + h.Root.String() + "\n"
}

// SignHead gives the signed note of h. The signer's name must be h's origin;
// others may cosign, after it.
func SignHead(h Head, signer note.Signer, cosigners ...note.Signer) ([]byte, error) {
	if err := h.validate(); err != nil {
		return nil, fmt.Errorf("sign head: %w", err)
	}
	if signer.Name() != h.Origin {
		return nil, fmt.Errorf("sign head: %s: key is of %s", h.Origin, signer.Name())
	}
	msg, err := note.Sign(&note.Note{Text: h.Text()}, append([]note.Signer{signer}, cosigners...)...)
	if err != nil {
		return nil, fmt.Errorf("sign head: %s: %w", h.Origin, err)
	}
	return msg, nil
}

// OpenHead checks the signatures on msg and returns its head. One of the known
// keys that signed must bear the origin's name, so that a cosignature alone
// opens nothing; signatures by unknown keys are allowed and vouch for nothing.
// A note in other than its one spelling is [ErrMalformed].
func OpenHead(msg []byte, known note.Verifiers) (Head, error) {
	h, _, err := OpenCosigned(msg, known)
	return h, err
}

// OpenCosigned is [OpenHead] that also names the known keys that signed beside
// the origin's, in the order of the note.
func OpenCosigned(msg []byte, known note.Verifiers) (Head, []string, error) {
	n, err := note.Open(msg, known)
	if err != nil {
		return Head{}, nil, fmt.Errorf("open head: %w", err)
	}
	h, err := parseText(n.Text)
	if err != nil {
		return Head{}, nil, fmt.Errorf("open head: %w", err)
	}
	if err := oneSpelling(n); err != nil {
		return Head{}, nil, fmt.Errorf("open head: %s: %w", h.Origin, err)
	}
	var own bool
	var others []string
	limit, limited := known.(bounded)
	for _, s := range n.Sigs {
		switch {
		case s.Name != h.Origin:
			others = append(others, s.Name)
		case limited && !limit.signs(s.Hash, h.Size):
			return Head{}, nil, fmt.Errorf("open head: %s: %d entries: its key had stopped before", h.Origin, h.Size)
		default:
			own = true
		}
	}
	if !own {
		return Head{}, nil, fmt.Errorf("open head: %s: not signed by its own key", h.Origin)
	}
	return h, others, nil
}

// oneSpelling refuses signatures whose base64 has stray bits or line breaks,
// which the note package lets pass: two notes of one meaning must be equal bytes.
func oneSpelling(n *note.Note) error {
	for _, list := range [...][]note.Signature{n.Sigs, n.UnverifiedSigs} {
		for _, s := range list {
			raw, err := base64.StdEncoding.Strict().DecodeString(s.Base64)
			if err != nil || base64.StdEncoding.EncodeToString(raw) != s.Base64 {
				return fmt.Errorf("%w: signature of %s is not plain base64", ErrMalformed, s.Name)
			}
		}
	}
	return nil
}

// parseText reads exactly what [Head.Text] writes.
func parseText(text string) (Head, error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[3] != "" {
		return Head{}, fmt.Errorf("%w: head text of %d lines, want 3", ErrMalformed, len(lines)-1)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil {
		return Head{}, fmt.Errorf("%w: size %q", ErrMalformed, lines[1])
	}
	root, err := tlog.ParseHash(lines[2])
	if err != nil {
		return Head{}, fmt.Errorf("%w: root %q", ErrMalformed, lines[2])
	}
	h := Head{Origin: lines[0], Size: size, Root: root}
	if h.Text() != text {
		return Head{}, fmt.Errorf("%w: head text is not in its one spelling", ErrMalformed)
	}
	return h, h.validate()
}

func (h Head) validate() error {
	if h.Size < 0 || h.Size > MaxSize {
		return fmt.Errorf("head of %d entries: %w", h.Size, ErrSize)
	}
	if h.Size == 0 && h.Root != EmptyHead(h.Origin).Root {
		return fmt.Errorf("%w: head of no entries with root %v", ErrMalformed, h.Root)
	}
	return validOrigin(h.Origin)
}

// validOrigin holds origin to what a key name may be, since it is one.
func validOrigin(origin string) error {
	bad := func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == '+' }
	if origin == "" || len(origin) > maxName || !utf8.ValidString(origin) || strings.ContainsFunc(origin, bad) {
		return fmt.Errorf("%w: origin %q, want 1 to %d bytes without space or plus", ErrMalformed, origin, maxName)
	}
	return nil
}
