package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/dossier"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

func dossierCommand(d *desk) *cobra.Command {
	var file, after string
	cmd := &cobra.Command{
		Use:   "dossier RUN -o FILE",
		Short: "Make one file that proves a run, and that others can check",
		Long: `Make one file that proves a run: its record as the rig signed it, its raw logs, the
setup and the mark it was judged by, what the trail tells of it since, and the
proofs. It is an ordinary zip archive with a cover page to read first, and is
verified before it gets its name. The same run gives the same bytes until the
trail has grown or a witness has signed it.

With --after it also proves that the trail only added to that of an older dossier
of the run, or says which restore went back behind it. Then collector verify with
--later tells what came after the older one.`,
		Example: "  collector dossier k7q2m9xd -o orrery-k7q2m9xd.zip",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if file == "" {
				return screen.Misuse("name a new file with -o FILE", "dossier: it needs -o FILE")
			}
			var head []byte
			if after != "" {
				older, err := readDossier(after)
				if err != nil {
					return err
				}
				if head, err = dossier.HeadOf(older); err != nil {
					return fault.New("read dossier", after, err).WithHint("name the older dossier of the run")
				}
			}
			return d.ask(cmd.Context(), func(b answer.Book, _ string) error { return d.dossier(cmd.Context(), b, args[0], head, file) })
		},
	}
	cmd.Flags().StringVar(&after, "after", "", "prove, too, that the trail only added to that of the older dossier in `OLDER`")
	cmd.Flags().StringVarP(&file, "output", "o", "", "write to the new file `FILE`")
	d.jsonFlag(cmd)
	return cmd
}

func (d *desk) dossier(ctx context.Context, b answer.Book, id string, after []byte, file string) error {
	var got bytes.Buffer
	if err := b.Dossier(ctx, id, after, &got); err != nil {
		return err
	}
	r, err := dossier.Verify(got.Bytes(), dossier.Keys{})
	if err != nil {
		return notProved("make dossier", id, err, "what the collector gave does not verify, and is not kept; look at the archive with: collector check")
	}
	size := got.Len()
	if err := newFile(file, got.Bytes()); err != nil {
		return err
	}
	if d.json {
		return screen.JSON(d.stdout, struct {
			File     string         `json:"file"`
			Bytes    int            `json:"bytes"`
			Run      string         `json:"run"`
			Standing drift.Standing `json:"standing"`
		}{file, size, r.Run, r.Standing})
	}
	_, err = fmt.Fprintf(d.stdout, "%s: run %s of %s, %s, %s, verified; others check it with: %s verify\n",
		screen.Clean(file), screen.Clean(r.Run), screen.Clean(r.Rig), r.Standing, screen.Bytes(int64(size)), screen.Program("collector"))
	return err
}

func verifyCommand(d *desk) *cobra.Command {
	var keys, witnesses []string
	var later string
	cmd := &cobra.Command{
		Use:   "verify FILE [--key KEY]... [--witness KEY]... [--later NEWER]",
		Short: "Check a dossier, offline, and say line by line what holds",
		Long: `Check a dossier: every signature, hash and proof in it; and work out again its
statistics, flags and cover from the raw log and the facts. It asks no collector.

A key that a collector had at some time is enough, when it signed itself which
followed it. What came after the file was made a newer dossier tells that was made
with --after FILE: name it with --later. With --collector HOST:PORT that collector is
asked for one.

--key gives a key that you know from elsewhere: a collector's, as agent trail shows
it, or the SHA-256 of a rig's, as collector rigs --json shows it, or of the
authority's that certified it, or its first 16 digits. Without them the keys in the
file are used: then it shows that all belongs together, and not whose it is.
--witness demands that a follower with that key has signed the trail with the run
in it.

Lines begin with "holds", or "note" for what deserves a second look. Exits 4 with
the first thing that does not hold. The last line says whether all of it holds, or
what a file of an earlier version says otherwise than this one works out.`,
		Example: "  collector verify orrery-k7q2m9xd.zip\n  collector verify orrery-k7q2m9xd.zip --key witnessmark.example/1a2b+3c4d5e6f+AbCd... --key 5f1c0a9b7d3e2468",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			known, err := keysOf(keys)
			for _, k := range witnesses {
				if _, bad := trail.ParseWitness(k); bad != nil && err == nil {
					err = screen.Misuse("a witness's key is what its collector follow logs when it starts", "--witness %s: no witness's key", k)
				}
			}
			if err != nil {
				return err
			}
			known.Witnesses = witnesses
			if later != "" && d.collector != "" {
				return screen.Misuse("leave one of them out", "verify: --later has what came after, and --collector asks for it")
			}
			if later == "" && d.collector == "" {
				return d.verify(args[0], known)
			}
			return d.verifyLater(cmd.Context(), args[0], later, known)
		},
	}
	cmd.Flags().StringArrayVar(&keys, "key", nil, "a collector's or a rig's `KEY` that is known from elsewhere; may be given more than once")
	cmd.Flags().StringVar(&later, "later", "", "say what came after, by the newer dossier in `NEWER`")
	cmd.Flags().StringArrayVar(&witnesses, "witness", nil, "demand that the witness of `KEY` signed a trail with the run in it; may be given more than once")
	d.jsonFlag(cmd)
	return cmd
}

var rigKey = regexp.MustCompile(`^[0-9a-fA-F]{16,64}$`)

func keysOf(keys []string) (known dossier.Keys, err error) {
	for _, k := range keys {
		if _, err := note.NewVerifier(k); err == nil {
			known.Collectors = append(known.Collectors, k)
		} else if rigKey.MatchString(k) {
			known.Rigs = append(known.Rigs, strings.ToLower(k))
		} else {
			return known, screen.Misuse("a collector's key is shown by: agent trail; a rig's, 16 to 64 hexadecimal digits, by: collector rigs --json", "--key %s: neither a collector's key nor a rig's", k)
		}
	}
	return known, nil
}

// mostDossier bounds the file that is read: the largest delivery and then some, as far
// as this machine can count.
const mostDossier = min(4<<30, math.MaxInt-bytes.MinRead)

var errNoDossier = fmt.Errorf("it is larger than any dossier, %s", screen.Bytes(mostDossier))

func (d *desk) verify(file string, known dossier.Keys) error {
	b, err := readDossier(file)
	if err != nil {
		return err
	}
	p := d.verifying()
	r, err := dossier.Verify(b, known)
	p.Done()
	return d.verified(file, r, err)
}

// verifying says on a terminal what goes on: a long log takes some seconds.
func (d *desk) verifying() *screen.Progress {
	p := screen.NewProgress(d.stderr, "verify")
	p.Step("checking signatures and proofs, working out statistics and flags")
	return p
}

// verified says what was found of a file.
func (d *desk) verified(file string, r dossier.Report, err error) error {
	if err != nil {
		err = notProved("verify", file, err, "do not rely on this file; ask for it again, and keep this one as evidence")
	}
	if d.json {
		return cmp.Or(err, verdictJSON(d.stdout, r))
	}
	text := linesOf(r)
	if err == nil {
		text += fmt.Sprintf("%s: run %s of rig %s, %s\n", verdict(r), screen.Clean(r.Run), screen.Clean(r.Rig), r.Standing)
	}
	_, bad := io.WriteString(d.stdout, text)
	return cmp.Or(err, bad)
}

// verdict sums up files of which nothing was refused.
func verdict(files ...dossier.Report) string {
	var otherwise []string
	for _, r := range files {
		otherwise = append(otherwise, r.Otherwise...)
	}
	if len(otherwise) == 0 {
		return "all of it holds"
	}
	return "it holds, but for what an earlier version says otherwise in " + screen.Clean(strings.Join(otherwise, ", ")) + ", see the notes"
}

// notProved is the error of a file that does not hold, or that a later version or
// another key is needed for.
func notProved(op, what string, err error, hint string) error {
	switch {
	case errors.Is(err, dossier.ErrNewer):
		hint = "check it with a later version of collector"
	case errors.Is(err, dossier.ErrNotGiven):
		hint = "do not rely on this file, unless that key is an earlier one: a trail's are listed by collector check, a rig's by collector members"
	}
	return screen.Exit(screen.NotProved, fault.New(op, what, err).WithHint(hint))
}

func linesOf(r dossier.Report) string {
	var b strings.Builder
	for _, l := range r.Lines {
		word := "holds"
		if l.Doubt {
			word = "note "
		}
		fmt.Fprintf(&b, "%s  %s: %s\n", word, screen.Clean(l.Member), screen.Clean(l.Holds))
	}
	return b.String()
}

func readDossier(file string) ([]byte, error) {
	b, err := readWhole(file)
	if err != nil {
		return nil, fault.New("read dossier", file, cause(err)).WithHint("name a file that collector dossier has made")
	}
	return b, nil
}

func verdictJSON(w io.Writer, r dossier.Report) error {
	v := struct {
		dossier.Report
		held
	}{r, heldBy(r.Failed)}
	if v.Lines == nil {
		v.Lines = []dossier.Line{}
	}
	return screen.JSON(w, v)
}

// held says whether all holds, and what is the first thing that does not.
type held struct {
	Holds  bool   `json:"holds"`
	Member string `json:"failed_member,omitempty"`
	Why    string `json:"failed_why,omitempty"`
}

func heldBy(f *dossier.Fault) held {
	if f == nil {
		return held{Holds: true}
	}
	return held{Member: f.Member, Why: f.Why.Error()}
}

func readWhole(file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case info.Size() > mostDossier:
		return nil, errNoDossier
	}
	var b bytes.Buffer
	b.Grow(int(info.Size()) + bytes.MinRead) // so that it is copied nowhere while it grows
	if n, err := b.ReadFrom(io.LimitReader(f, mostDossier+1)); err != nil {
		return nil, err
	} else if n > mostDossier {
		return nil, errNoDossier // a pipe, or a file that grew
	}
	return b.Bytes(), nil
}
