package collect_test

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trust"
	pb "witnessmark/proto/witnessmark/v1"
)

// TestTwoRigsDoNotHoldEverything has two rigs send most of a large delivery, and
// then nothing: a third one's delivery passes.
func TestTwoRigsDoNotHoldEverything(t *testing.T) {
	limits := deliver.Limits{Record: 1 << 20, Parts: 3 << 20, Count: 4, InFlight: 6 << 20, Quiet: time.Hour, Rate: 1}
	w := newWorkshop(t, collect.WithLimits(func() deliver.Limits { return limits }))
	curlew := labtest.NewRig("curlew", labtest.Rand(t))
	w.ids["curlew"] = labtest.Enrol(t, w.owner, trust.Member{Role: trust.Rig, Name: "curlew"}, curlew.Key)
	sent := 0
	for _, hog := range []*labtest.Rig{w.heron, curlew} {
		run := hog.Finish(labtest.Shape{LogBytes: 2800 << 10, Plain: true})
		st, err := pb.NewDeliveryServiceClient(w.as(t, hog.Name)).Deliver(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		st.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: announcementOf(run)}})
		all := append(bytes.Clone(run.Signed.Bytes), run.Data[0]...)
		for rest := all[:len(all)-1]; len(rest) > 0; rest = rest[min(64<<10, len(rest)):] {
			if st.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: rest[:min(64<<10, len(rest))]}}}) != nil {
				break // refused, which is as well
			}
		}
		sent += len(all) - 1
		insist(t, "have it taken", func(context.Context) error { // of what was sent much may be under way
			if held := metric(t, w.counts, "held_bytes"); held < float64(sent) && w.refusals(t, deliver.Busy) == 0 {
				return fmt.Errorf("%v of %d bytes are", held, sent)
			}
			return nil
		})
	}
	run := w.plover.Finish(labtest.Shape{LogBytes: 700 << 10, Plain: true})
	if _, err := deliver.Send(context.Background(), w.as(t, "plover"), run.Signed, run.Parts()); err != nil {
		t.Errorf("two rigs that do not go on hinder another: %v", err)
	}
}
