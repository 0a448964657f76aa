package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/drift"
	"witnessmark/internal/fault"
	plates "witnessmark/internal/figure"
	"witnessmark/internal/record"
	"witnessmark/internal/report"
	"witnessmark/internal/rig"
	"witnessmark/internal/screen"
)

func reportCommand(d *desk) *cobra.Command {
	var s sides
	var out published
	cmd := &cobra.Command{
		Use:   "report SELECTION...",
		Short: "Write a page with verdicts, figures, configuration and receipts",
		Long: `Write a page with verdicts, figures, configuration and receipts.

With one selection the runs are described. With more, each is compared with the
first, as by: collector compare. The page is one HTML file that needs nothing
beside it. Runs that are void never enter; runs under caution enter a description,
and a comparison with --include caution.`,
		Example: "  collector report workload=orrery,setup=memory-rated workload=orrery,setup=memory-default -o memory.html\n" +
			"  collector report k7q2m9xd -o run.html --figures figures",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out.file == "" {
				return screen.Misuse("add -o report.html", "report: no file is named")
			}
			if err := out.free(out.file); err != nil {
				return err
			}
			q, err := s.report(args, d)
			if err != nil {
				return err
			}
			return d.ask(cmd.Context(), func(b answer.Book, where string) error {
				page, err := q.page(cmd.Context(), b, where)
				if err != nil {
					return err
				}
				return out.write(d, page)
			})
		},
	}
	s.rules(cmd)
	f := cmd.Flags()
	f.StringVarP(&out.file, "output", "o", "", "write the page to the new file `FILE`")
	out.flags(cmd)
	d.jsonFlag(cmd)
	return cmd
}

// reporting is the selections with what to make of them.
type reporting struct {
	question   // but its two sides
	selections []answer.Selection
	about      *desk
}

func (s *sides) report(args []string, d *desk) (r reporting, err error) {
	r.about = d
	for i, a := range args {
		sel, err := s.selection(fmt.Sprintf("selection %d", i+1), a, d.now())
		if err != nil {
			return r, err
		}
		r.selections = append(r.selections, sel)
	}
	err = s.rule(&r.question)
	if len(args) == 1 && !slices.Contains(r.load.Include, drift.Careful) { // nothing is compared
		r.load.Include = append(r.load.Include, drift.Careful)
	}
	return r, err
}

// page fetches the runs, compares them and sets the page.
func (r reporting) page(ctx context.Context, b answer.Book, where string) (page plates.Page, err error) {
	in := report.Input{Kept: map[string]report.Kept{}, Signals: map[string][]rig.Signal{}, Made: r.about.now(), By: "collector " + version}
	var loaded []answer.Loaded
	for i, s := range r.selections {
		l, err := r.side(ctx, b, fmt.Sprintf("selection %d", i+1), s, where)
		if err != nil {
			return page, err
		}
		loaded = append(loaded, l)
		in.Sides = append(in.Sides, report.Side{Text: s.Text, Runs: l.Runs, Left: l.Left})
	}
	if len(loaded) == 1 {
		alone := compare.Compare(loaded[0].Runs, nil, r.options)
		in.Alone = &alone
	}
	for i := 1; i < len(loaded); i++ {
		q := r.question
		q.base, q.against = r.selections[0], r.selections[i]
		got, err := q.weigh(ctx, b, loaded[0], loaded[i])
		if err != nil {
			return page, err
		}
		in.Comparisons = append(in.Comparisons, got.Comparison)
	}
	if err := addKept(ctx, b, &in); err != nil {
		return page, err
	}
	return report.Page(in), nil
}

// addKept adds the receipt of every run, and the signals of those that are drawn.
func addKept(ctx context.Context, b answer.Book, in *report.Input) error {
	shown := report.Shown(*in)
	for _, s := range in.Sides {
		for _, run := range s.Runs {
			if _, ok := in.Kept[run.ID]; ok {
				continue
			}
			det, err := b.Show(ctx, run.ID)
			if err != nil {
				return err
			}
			k := report.Kept{RecordSHA256: fmt.Sprintf("%x", det.Summary.RecordSHA256)}
			if c := answer.ReceiptOf(det.Receipt); c != nil {
				k.Index, k.TreeSize, k.At, k.Head = c.Index, c.TreeSize, c.Kept, c.Head
			}
			in.Kept[run.ID] = k
			if !slices.Contains(shown, run.ID) {
				continue
			}
			rec, err := record.Decode(det.Signed.Bytes)
			if err != nil {
				return fault.New("read signals", run.ID, err)
			}
			in.Signals[run.ID] = rec.Signals
		}
	}
	return nil
}

// drawing is where figures go as files of their own.
type drawing struct {
	figures    string
	resolution int
}

func (p *drawing) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&p.figures, "figures", "", "write each figure as SVG and PNG, wide and narrow, to the new folder `DIR`")
	cmd.Flags().IntVar(&p.resolution, "resolution", 200, "of the PNG files, in pixels an `INCH`, 72 to 600")
}

// free refuses places that are taken before anything is fetched.
func (p drawing) free(also ...string) error {
	if p.resolution < 72 || p.resolution > 600 {
		return screen.Misuse("give 72 to 600", "--resolution %d: not possible", p.resolution)
	}
	for _, path := range append(also, p.figures) {
		if path == "" || path == "-" {
			continue
		}
		if _, err := os.Lstat(path); err == nil {
			return fault.New("write", path, errors.New("it is there already")).WithHint("name a new one, or remove that one first")
		}
	}
	return nil
}

// published is where the page goes.
type published struct {
	drawing
	file string
}

func (p published) write(d *desk, page plates.Page) error {
	html, err := page.HTML()
	if err != nil {
		return err
	}
	if p.file == "-" {
		_, err := d.stdout.Write(html)
		return err
	}
	files, err := p.draw(report.Figures(page))
	if err != nil {
		return err
	}
	if err := newFile(p.file, html); err != nil {
		return err
	}
	if d.json {
		return screen.JSON(d.stdout, map[string]any{"file": p.file, "headline": page.Lead, "played": page.Played != "", "figures": append([]string{}, files...)})
	}
	_, err = fmt.Fprintln(d.stdout, screen.Clean(page.Lead))
	if err == nil && page.Played != "" {
		_, err = fmt.Fprintln(d.stdout, screen.Clean(page.Played))
	}
	if err == nil {
		_, err = fmt.Fprintln(d.stdout, strings.TrimSpace("written to "+p.file+p.also(files)))
	}
	return err
}

func (p published) also(files []string) string {
	if len(files) == 0 {
		return ""
	}
	return ", and " + screen.Count(len(files), "file") + " to " + p.figures
}

// draw writes every figure for a page's width and for a narrow column, as SVG and
// PNG, if a folder is named.
func (p drawing) draw(figures []plates.Figure) (files []string, err error) {
	if p.figures == "" {
		return nil, nil
	}
	if err := os.MkdirAll(p.figures, 0o777); err != nil {
		return nil, fault.New("write", p.figures, cause(err))
	}
	taken := map[string]bool{}
	for i, f := range figures {
		if taken[f.Name] {
			f.Name = fmt.Sprintf("%s-%d", f.Name, i+1)
		}
		taken[f.Name] = true
		for _, form := range []plates.Form{plates.Wide, plates.Narrow} {
			png, err := f.PNG(form, p.resolution)
			if err != nil {
				return files, err
			}
			for ending, data := range map[string][]byte{".svg": f.SVG(form), ".png": png} {
				path := filepath.Join(p.figures, f.Name+"-"+form.String()+ending)
				if err := newFile(path, data); err != nil {
					return files, err
				}
				files = append(files, path)
			}
		}
	}
	slices.Sort(files)
	return files, nil
}
