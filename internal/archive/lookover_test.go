package archive_test

import (
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"witnessmark/internal/archive"
	"witnessmark/internal/labtest"
)

// TestLookedOverWhileBusy: a look beside those who keep, retract, tell of beats and change the
// trail's key, in a file that grows beyond what was mapped of it, finds nothing: damage
// that is none would stop a collector that is well.
func TestLookedOverWhileBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "archive.db")
	opt := options()
	opt.MapSize = 1 << 16
	a, err := archive.Open(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	begun := a.Size()
	var busy sync.WaitGroup
	for w := range 4 {
		g := labtest.NewRig(fmt.Sprint("rig-", w), labtest.Rand(t))
		runs := make([]labtest.Run, 25)
		for i := range runs {
			runs[i] = g.Finish(labtest.Shape{LogBytes: 200 << (i % 11), Plain: true})
		}
		busy.Go(func() {
			for i, run := range runs {
				_, err := a.Keep(t.Context(), keeping(run))
				if err == nil && i%2 == 0 {
					_, _, err = a.Retract(run.ID, "keeper", "the lamp was on", false)
				}
				if err == nil {
					err = a.SetBeats(map[string][]byte{run.Rig: fmt.Append(nil, i)}, [][]byte{fmt.Append(nil, "news ", i)})
				}
				if err == nil && i%10 == 9 {
					_, _, err = a.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(uint64(100*w + i))), By: "wren", Why: "its year is over"})
				}
				if err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	done := make(chan bool)
	go func() { busy.Wait(); close(done) }()
	for looks := 0; ; looks++ {
		if err := a.LookOver(t.Context()); err != nil {
			t.Errorf("look %d: %v", looks, err)
			<-done
			return
		}
		select {
		case <-done:
			t.Logf("looked over %d times while the file grew from %d to %d bytes", looks, begun, a.Size())
			if a.Size() < 1<<20 {
				t.Errorf("%d looks at %d bytes", looks, a.Size())
			}
			return
		default:
		}
	}
}
