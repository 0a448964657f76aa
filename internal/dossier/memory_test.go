package dossier_test

import (
	"bytes"
	"errors"
	"runtime"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	delivery "witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
)

// allocated gives how many bytes f allocates.
func allocated(f func()) float64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return float64(after.TotalAlloc - before.TotalAlloc)
}

// BenchmarkMemory reports, for each byte of a raw log, how many bytes are allocated to
// deliver it, by both ends, to check the archive that keeps it, and to verify a dossier
// with it. Of one value a line each byte makes 1.14 bytes of durations.
func BenchmarkMemory(b *testing.B) {
	const size = 16 << 20
	heron := labtest.NewRig("heron", labtest.Seeded(14))
	var deliver, check, verify float64
	for b.Loop() {
		conn, err := collect.Embedded(b.Context(), b.TempDir(), labtest.Quiet())
		if err != nil {
			b.Fatal(err)
		}
		ask, run := answer.NewClient(conn), heron.Finish(labtest.Shape{Plain: true, LogBytes: size})
		deliver += allocated(func() { _, err = delivery.Send(b.Context(), conn, run.Signed, run.Parts()) })
		var file bytes.Buffer
		err = errors.Join(err, ask.Dossier(b.Context(), run.ID, nil, &file))
		check += allocated(func() {
			_, bad := ask.Check(b.Context(), func(where, what string) { b.Errorf("%s: %s", where, what) }, nil)
			err = errors.Join(err, bad)
		})
		verify += allocated(func() { verified(b, file.Bytes(), dossier.Keys{}) })
		if err = errors.Join(err, conn.Close()); err != nil {
			b.Fatal(err)
		}
	}
	logged := float64(b.N * size)
	b.ReportMetric(deliver/logged, "deliver-B/B")
	b.ReportMetric(check/logged, "check-B/B")
	b.ReportMetric(verify/logged, "verify-B/B")
}

// TestVerifyInPlace: no copy is made of a file or of the durations in it, of which a
// byte of its log makes 1.14 bytes.
func TestVerifyInPlace(t *testing.T) {
	h := newHouse(t)
	run := h.run(t, labtest.Shape{Plain: true, Bare: true, LogBytes: 4 << 20})
	file := h.dossier(t, run.ID, nil)
	if n := allocated(func() { verified(t, file, h.known()) }) / float64(len(file)); n > 1.5 {
		t.Errorf("to verify a file takes %.2f bytes for each byte of it", n)
	}
}
