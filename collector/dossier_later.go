package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"witnessmark/internal/answer"
	"witnessmark/internal/dossier"
	"witnessmark/internal/screen"
)

// verifyLater checks a dossier and says what came after it, by a newer one from a
// file or from the collector.
func (d *desk) verifyLater(ctx context.Context, file, later string, known dossier.Keys) error {
	older, err := d.verifyOlder(file, known)
	if err != nil {
		return err
	}
	var newer []byte
	if later != "" {
		newer, err = readDossier(later)
	} else {
		newer, err = d.askNewer(ctx, file, older)
	}
	if err != nil {
		return errors.Join(d.verified(file, older.Report, nil), err)
	}
	p := d.verifying()
	now, lines, err := older.Later(newer)
	p.Done()
	if err != nil {
		err = notProved("verify", file, err, askAgain)
	}
	if d.json {
		return d.laterJSON(older.Report, now, lines, err)
	}
	_, bad := io.WriteString(d.stdout, laterText(older.Report, ofNewer(now), lines, err == nil))
	return cmp.Or(err, bad)
}

// verifyOlder checks the older file, of which no more stays in memory than a newer one
// is held against.
func (d *desk) verifyOlder(file string, known dossier.Keys) (dossier.Older, error) {
	b, err := readDossier(file)
	if err != nil {
		return dossier.Older{}, err
	}
	p := d.verifying()
	o, err := dossier.VerifyOlder(b, known)
	p.Done()
	if err != nil {
		err = d.verified(file, o.Report, err)
	}
	return o, err
}

func laterText(old, now dossier.Report, lines []dossier.Line, holds bool) string {
	text := linesOf(old) + linesOf(now)
	if !holds {
		return text
	}
	text += fmt.Sprintf("%s: run %s of rig %s, %s then and %s now\n", verdict(old, now), screen.Clean(old.Run), screen.Clean(old.Rig), old.Standing, now.Standing)
	if len(lines) == 0 {
		text += "nothing came after\n"
	}
	for _, l := range lines {
		text += fmt.Sprintf("after  %s\n", screen.Clean(l.Holds))
	}
	return text
}

// ofNewer puts what was found of the newer file under names of its own.
func ofNewer(r dossier.Report) dossier.Report {
	newer := func(member string) string { return "newer file, " + member }
	r.Lines = slices.Clone(r.Lines)
	for i := range r.Lines {
		r.Lines[i].Member = newer(r.Lines[i].Member)
	}
	r.Otherwise = slices.Clone(r.Otherwise)
	for i := range r.Otherwise {
		r.Otherwise[i] = newer(r.Otherwise[i])
	}
	return r
}

const askAgain = "do not rely on what it says came after; ask for a newer dossier with: collector dossier RUN --after FILE"

// askNewer asks the collector for a dossier that leads on from an older one. One that
// has the run or that head no more does not prove what came after.
func (d *desk) askNewer(ctx context.Context, file string, older dossier.Older) ([]byte, error) {
	var got bytes.Buffer
	err := d.ask(ctx, func(b answer.Book, _ string) error { return b.Dossier(ctx, older.Report.Run, older.Head, &got) })
	if errors.Is(err, answer.ErrNotFound) || errors.Is(err, answer.ErrState) {
		return nil, notProved("ask what came after", file, err,
			"if this is the collector that made the file, keep the file: it proves what that collector has no more")
	}
	return got.Bytes(), err
}

func (d *desk) laterJSON(old, now dossier.Report, lines []dossier.Line, failed error) error {
	v := struct {
		Older dossier.Report `json:"older"`
		Newer dossier.Report `json:"newer"`
		After []dossier.Line `json:"after"`
		held
	}{old, now, append([]dossier.Line{}, lines...), heldBy(now.Failed)}
	return cmp.Or(failed, screen.JSON(d.stdout, v))
}
