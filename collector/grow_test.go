package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/compare"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/labtest/sim"
	"witnessmark/internal/rig"
)

// asks is the questions whose time must grow with what they return.
var asks = []struct {
	name string
	ask  func(ctx context.Context, b answer.Book, to string) error
}{
	{"runs", func(ctx context.Context, b answer.Book, _ string) error {
		n := 0
		err := b.Runs(ctx, answer.Query{Workload: "orrery", Setup: "memory-rated"}, func(answer.Summary) error { n++; return nil })
		if err == nil && n != 10 {
			err = fmt.Errorf("%d runs", n)
		}
		return err
	}},
	{"newest", func(ctx context.Context, b answer.Book, _ string) error {
		return b.Runs(ctx, answer.Query{Limit: 20}, func(answer.Summary) error { return nil })
	}},
	{"compare", func(ctx context.Context, b answer.Book, _ string) error {
		s := sides{base: "workload=orrery,setup=memory-rated", against: "workload=orrery,setup=memory-default", margin: "1%", level: "95%", window: 2 * time.Second}
		q, err := s.resolve(time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			return err
		}
		got, err := q.fetch(ctx, b, "lab")
		if err == nil && (!got.Controlled.Controlled || len(got.Workloads) != 1) {
			err = fmt.Errorf("%s", got.Headline())
		}
		return err
	}},
	{"comparable", func(ctx context.Context, b answer.Book, to string) error {
		c, err := answer.StandBeside(ctx, b, to, compare.Terms{Vary: []rig.Key{"memory.speed"}}, answer.LoadOptions{})
		if err == nil && len(c.Stands) != 2 {
			err = fmt.Errorf("%d stand, %d do not", len(c.Stands), len(c.Spoilt))
		}
		return err
	}},
}

// filled is an archive of n runs, 20 of which are the workload that is asked for,
// early and late among the others.
func filled(t testing.TB, n int) (b answer.Book, to string) {
	lab := labtest.NewCollector(t)
	w := workload("orrery", 0.4, 0.4)
	bench := sim.NewBench("heron", rand.New(rand.NewPCG(1, 8)))
	give := func(runs []compare.Run) {
		for _, r := range runs {
			rec, data := sim.Record(r)
			signed := labtest.NewRig(r.Rig, labtest.Seeded(5)).Sign(rec, data)
			if _, err := deliver.Send(context.Background(), lab, signed.Signed, signed.Parts()); err != nil {
				t.Fatal(err)
			}
		}
	}
	rated := bench.Runs(w, 5, sim.Rated)
	give(rated)
	give(bench.Runs(w, 5, sim.Default))
	lab.Fill(t, n-20, uint64(n))
	bench.Wait(30 * 24 * time.Hour)
	give(bench.Runs(w, 5, sim.Default))
	give(bench.Runs(w, 5, sim.Rated))
	return answer.NewClient(lab), rated[0].ID
}

// The work of a question is what it reads: the same number of summaries and
// records is asked of an archive of 60 runs and of one of 500.
func TestQuestionsReadWhatTheyReturn(t *testing.T) {
	work := map[string][2]counted{}
	for i, n := range []int{60, 500} {
		b, to := filled(t, n)
		for _, a := range asks {
			c := &counted{}
			if err := a.ask(context.Background(), counting{b, c}, to); err != nil {
				t.Fatalf("%s of %d: %v", a.name, n, err)
			}
			w := work[a.name]
			w[i] = *c
			work[a.name] = w
		}
	}
	for name, w := range work {
		if w[0] != w[1] || w[0] == (counted{}) {
			t.Errorf("%s: %+v of 60 runs, %+v of 500", name, w[0], w[1])
		}
	}
}

type counted struct{ summaries, records, attachments int }

// counting is a Book that counts what is taken out of it.
type counting struct {
	answer.Book
	*counted
}

func (c counting) Runs(ctx context.Context, q answer.Query, yield func(answer.Summary) error) error {
	return c.Book.Runs(ctx, q, func(s answer.Summary) error { c.summaries++; return yield(s) })
}

func (c counting) Show(ctx context.Context, id string) (answer.Detail, error) {
	c.records++
	return c.Book.Show(ctx, id)
}

func (c counting) Attachment(ctx context.Context, id, name string) ([]byte, error) {
	c.attachments++
	return c.Book.Attachment(ctx, id, name)
}

// BenchmarkQuestions times the questions at 100, 1,000 and 10,000 kept runs; what
// they return is the same in all.
func BenchmarkQuestions(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000} {
		book, to := filled(b, n)
		for _, a := range asks {
			b.Run(fmt.Sprintf("%s/%d", a.name, n), func(b *testing.B) {
				for b.Loop() {
					if err := a.ask(context.Background(), book, to); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
