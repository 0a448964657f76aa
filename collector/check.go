package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/collect"
	"witnessmark/internal/fault"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

func checkCommand(d *desk) *cobra.Command {
	var key string
	cmd := &cobra.Command{
		Use:   "check [FILE]",
		Short: "Go through the whole archive and list all that is wrong with it",
		Long: `Go through the whole archive and list all that is wrong with it: every byte of its
pages is accounted for, every entry hashes to its leaf and the tree to its signed
head, every run is what its rig signed, has its entry, its receipt and its rows,
every row has its run, and the series are those of the raw logs.

A served collector is asked to look at itself, and goes on serving; what it writes
while its pages are read takes new room in its file, which is used again later.
FILE is an archive that nobody serves, such as a backup; it is only read.

Exits 4 when anything is wrong.`,
		Example: "  collector check\n  collector check dome.backup --key witnessmark.example/1a2b+3c4d5e6f+AbCd...",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if key != "" {
				if _, err := note.NewVerifier(key); err != nil {
					return screen.Misuse("give it as a rig shows it: agent trail", "--key %s: not a verifier key", key)
				}
			}
			if len(args) > 0 && d.collector != "" {
				return screen.Misuse("leave one of them out", "check: --collector is asked to look at itself, and FILE is looked at here")
			}
			return d.check(cmd.Context(), args, key)
		},
	}
	cmd.Flags().StringVar(&key, "key", "", "the `KEY` that must have signed the heads of FILE (default: the one the archive names)")
	d.jsonFlag(cmd)
	return cmd
}

// findings is what a check found.
type findings struct {
	Where       string           `json:"archive"`
	Runs        int              `json:"runs"`
	Entries     int64            `json:"entries"`
	VerifierKey string           `json:"verifier_key"`
	Keys        []trail.KeySince `json:"keys"`
	Findings    []finding        `json:"findings"`
}

type finding struct {
	Where string `json:"where"`
	What  string `json:"what"`
}

func (d *desk) check(ctx context.Context, args []string, key string) error {
	p := screen.NewProgress(d.stderr, "check")
	defer p.Done()
	f := findings{Findings: []finding{}}
	found := func(where, what string) { f.Findings = append(f.Findings, finding{where, what}) }
	n, err := d.examine(ctx, args, key, &f.Where, found, func(done, total int64) {
		if total == 0 {
			p.Note(screen.Count(int(done), "page") + " read")
			return
		}
		p.Set(done, total)
	})
	if err != nil {
		return err
	}
	p.Done()
	f.Runs, f.Entries, f.VerifierKey, f.Keys = n.Runs, n.Entries, n.VerifierKey, n.Keys
	return f.print(d)
}

// examine looks at the file, at the archive in the state folder, or has the
// collector that serves one look.
func (d *desk) examine(ctx context.Context, args []string, key string, where *string, found func(where, what string), progress func(done, total int64)) (answer.Checked, error) {
	path := ""
	if len(args) > 0 {
		path = args[0]
	} else if d.collector == "" && os.Getenv("WITNESSMARK_COLLECTOR") == "" {
		dir, err := d.folder()
		if err != nil {
			return answer.Checked{}, err
		}
		path = filepath.Join(dir, collect.ArchiveFile)
	}
	*where = path
	if _, err := os.Stat(path); path != "" && (err == nil || len(args) > 0) {
		n, err := collect.CheckFile(ctx, path, key, found, progress)
		if !errors.Is(err, archive.ErrBusy) || len(args) > 0 {
			return n, err
		}
	}
	var n answer.Checked
	err := d.ask(ctx, func(b answer.Book, at string) (err error) {
		*where = at
		n, err = b.Check(ctx, found, progress)
		return err
	})
	if err == nil && key != "" && !leadsOn(n, key) {
		found("head", "it is signed with "+n.VerifierKey)
	}
	return n, err
}

// leadsOn says whether the key has signed the trail, and itself which one follows it, up
// to the present one.
func leadsOn(n answer.Checked, key string) bool {
	at := slices.IndexFunc(n.Keys, func(k trail.KeySince) bool { return k.Key == key })
	return at >= 0 && !slices.ContainsFunc(n.Keys[at+1:], func(k trail.KeySince) bool { return k.Word != "" })
}

func (f findings) print(d *desk) error {
	if d.json {
		if err := screen.JSON(d.stdout, f); err != nil {
			return err
		}
	} else {
		for _, x := range f.Findings {
			if _, err := fmt.Fprintf(d.stdout, "%s: %s\n", screen.Clean(x.Where), screen.Clean(x.What)); err != nil {
				return err
			}
		}
	}
	if len(f.Findings) > 0 {
		err := fault.New("check archive", f.Where, fmt.Errorf("%s wrong", things(len(f.Findings)))).
			WithHint("stop the collector, keep the file as it is, and restore a backup: collector restore")
		return screen.Exit(screen.NotProved, err)
	}
	if d.json {
		return nil
	}
	_, err := fmt.Fprintf(d.stdout, "all is well: %s, %s of the trail, signed with %s\n",
		screen.Count(f.Runs, "run"), screen.Many(int(f.Entries), "entry", "entries"), screen.Clean(f.VerifierKey))
	if err != nil || len(f.Keys) < 2 {
		return err
	}
	return f.printKeys(d)
}

// printKeys lists the keys of a trail that has had more than one, with since when each
// signs it and who says so.
func (f findings) printKeys(d *desk) error {
	t := screen.NewTable("KEY OF THE TRAIL", "FROM ENTRY", "SINCE", "ON WHOSE WORD")
	for i, k := range f.Keys {
		since, word := "", "" // of the first
		if i > 0 {
			since, word = k.At.Local().Format("2006-01-02 15:04"), "signed by the key before"
		}
		if k.Word != "" {
			word = k.Word + ", for the key before is lost"
		}
		t.Row(k.Key, fmt.Sprint(k.Entry), since, word)
	}
	return t.Write(d.stdout)
}
