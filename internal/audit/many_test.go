package audit_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestAlarmsWithoutEnd: a collector over which a hundred alarms are open is refused as
// before, but no more evidence is kept until one of them is accepted. Alarms on another
// collector do not count, and one that is open still takes up what proves more.
func TestAlarmsWithoutEnd(t *testing.T) {
	b, s := metScribe(t, t.TempDir())
	al := accused(t, b, s, back)
	all := filepath.Dir(al.Folder)
	var about map[string]any
	text, err := os.ReadFile(filepath.Join(al.Folder, "alarm.json"))
	if err == nil {
		err = json.Unmarshal(text, &about)
	}
	// of is as if there had been one more of the same kind, over more entries.
	of := func(collector string, n int) {
		t.Helper()
		dir := filepath.Join(all, fmt.Sprintf("%s-%03d", al.Name, n))
		about["collector"], about["seen"].(map[string]any)["size"] = collector, seenBefore+n
		text, err := json.Marshal(about)
		if err = errors.Join(err, os.CopyFS(dir, os.DirFS(al.Folder))); err == nil {
			err = os.WriteFile(filepath.Join(dir, "alarm.json"), text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	for n := range 100 {
		of(address, n+1)
	}
	of("observatory.example:7444", 101)
	if again := accused(t, b, s, backTo5); again.Name != al.Name {
		t.Errorf("%v, which is open as %s", again, al.Name)
	}
	if stronger := accused(t, b, s, forked); stronger.Name != al.Name || stronger.Before == nil || stronger.Unkept != nil {
		t.Errorf("an open one does not take up what proves more: %v", stronger)
	}

	if err := os.RemoveAll(al.Folder); err != nil {
		t.Fatal(err)
	}
	before := contents(t, all)
	beyond := accused(t, b, s, back)
	if beyond.Unkept == nil || beyond.Folder != "" || !strings.Contains(beyond.Error(), "100 alarms on this collector are open already") || !strings.Contains(beyond.Hint(), "accept them") {
		t.Errorf("%v\nhint: %s", beyond, beyond.Hint())
	}
	if after := contents(t, all); len(after) != len(before) || b.seen(t) != seenBefore {
		t.Errorf("%d files of evidence after %d; %d entries seen", len(after), len(before), b.seen(t))
	}
	if _, err := b.Accept(al.Name+"-007", "wren", "it was put back for a test"); err != nil {
		t.Fatal(err)
	}
	if kept := accused(t, b, s, back); kept.Unkept != nil || kept.Folder == "" {
		t.Errorf("after one was accepted: %v", kept)
	}
}
