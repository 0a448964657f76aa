package audit_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/audit"
	"witnessmark/internal/labtest"
	"witnessmark/internal/trail"
)

// TestAlarmOnAFullDisk: an alarm whose evidence the disk does not take says so, in one
// line, and points to nothing that is not there; the one that it would have made
// stronger stands as it was. With room again it is kept when the collector is met.
func TestAlarmOnAFullDisk(t *testing.T) {
	disk := labtest.SmallDisk(t, "200k")
	b, s := metScribe(t, filepath.Join(disk, "trails"))
	filler := filepath.Join(disk, "filler")
	names := func() (out []string) {
		t.Helper()
		found, err := os.ReadDir(filepath.Join(disk, "trails", "alarms"))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range found {
			out = append(out, n.Name())
		}
		return out
	}
	var stands audit.Alarm
	for _, sh := range []showing{back, past} {
		empty, had := labtest.FillDisk(t, filler), names()
		al := accused(t, b, s, sh)
		said, hint := al.Error(), al.Hint()
		if al.Name != "" || !strings.HasSuffix(said, "no space left on device") || strings.Contains(said, "\n") {
			t.Errorf("%+v, on a full disk: %s", sh, said)
		}
		if strings.Contains(hint, "the evidence in") || strings.Contains(hint, "accept") || !strings.Contains(hint, "has room") {
			t.Errorf("%+v, on a full disk: hint %q", sh, hint)
		}
		for range 8 { // which a log tells of once
			if again := accused(t, b, s, sh); unnumbered(again.Unkept) != unnumbered(al.Unkept) {
				t.Errorf("%+v, on a full disk: %v, and before %v", sh, again.Unkept, al.Unkept)
			}
		}
		open, err := b.Open()
		if err != nil || !slices.Equal(names(), had) || len(open) != len(had) || len(open) == 1 && open[0].Error() != stands.Error() {
			t.Errorf("%+v: open are %v, %v; there was %v", sh, open, err, had)
		}
		empty()
		first := stands.Name
		if stands = accused(t, b, s, sh); stands.Unkept != nil || first != "" && stands.Name != first {
			t.Errorf("%+v, with room: %v", sh, stands)
		}
		evidence(t, stands, s.key, seenBefore, stands.Now.Size)
	}
	if stands.Before == nil || stands.Why != trail.ErrForked.Error() {
		t.Errorf("at last it is %v", stands)
	}
}

// unnumbered is what an error says but for its numbers, such as those of temporary files.
func unnumbered(err error) string {
	return strings.Map(func(r rune) rune {
		if '0' <= r && r <= '9' {
			return -1
		}
		return r
	}, err.Error())
}
