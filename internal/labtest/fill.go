package labtest

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/archive"
	"witnessmark/internal/drift"
)

// Fill keeps n small finished runs of invented rigs, workloads and setups: rigs
// filler-0 to filler-19, workloads filling-0 to filling-9, in setups a and b. They
// go into the archive at once, without a delivery or a judgement, so that thousands
// are soon there.
func (c *Collector) Fill(t testing.TB, n int, seed uint64) {
	t.Helper()
	r := Seeded(seed)
	var rigs []*Rig
	for i := range 20 {
		rigs = append(rigs, NewRig(fmt.Sprintf("filler-%d", i), r))
	}
	const atOnce = 64 // what one transaction takes
	var wg sync.WaitGroup
	slots := make(chan struct{}, atOnce)
	fail := make(chan error, n)
	for i := range n {
		run := rigs[i%len(rigs)].Finish(Shape{LogBytes: 200, Plain: true, Workload: fmt.Sprintf("filling-%d", i%10), Setup: pick(r, "a", "b")})
		s := answer.Summarise(run.Run, run.Signed.SHA256(), answer.NoStatistics("filled in"), drift.Judgement{Standing: drift.Clean})
		b, err := s.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		k := archive.Keeping{ID: run.ID, Started: run.Started, Signed: run.Signed, Summary: b,
			Labels: archive.Labels{Rig: s.Rig, Workload: s.Workload, Setup: s.Setup, Standing: string(drift.Clean), Played: s.Played != ""}}
		for i, a := range run.Attachments {
			k.Parts = append(k.Parts, archive.Part{Name: a.Name, Data: run.Data[i]})
		}
		slots <- struct{}{}
		wg.Go(func() {
			if _, err := c.Archive.Keep(context.Background(), k); err != nil {
				fail <- err
			}
			<-slots
		})
	}
	wg.Wait()
	close(fail)
	for err := range fail {
		t.Fatal(err)
	}
}
