package collect_test

import (
	"bytes"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/dossier"
	"witnessmark/internal/labtest"
)

// TestDossierWhileTheKeyChanges: a dossier is sealed by the key that its proof names,
// though the trail may have gone over to the next one while it was made.
func TestDossierWhileTheKeyChanges(t *testing.T) {
	conn := embedded(t, t.TempDir())
	t.Cleanup(func() { conn.Close() })
	ask := answer.NewClient(conn)
	run := labtest.NewRig("heron", labtest.Rand(t)).Finish(labtest.Shape{LogBytes: 200 << 10})
	if _, err := deliver.Send(t.Context(), conn, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	changed := make(chan error, 1)
	go func() {
		var err error
		for n := 0; n < 20 && err == nil; n++ {
			_, _, err = ask.Rekey(t.Context(), "wren", "over and over")
		}
		changed <- err
	}()
	for changing := true; changing; {
		select {
		case err := <-changed:
			if changing = false; err != nil { // and once more
				t.Error(err)
			}
		default:
		}
		var file bytes.Buffer
		err := ask.Dossier(t.Context(), run.ID, nil, &file)
		if err == nil {
			_, err = dossier.Verify(file.Bytes(), dossier.Keys{})
		}
		if err != nil {
			t.Error(err)
		}
	}
}
