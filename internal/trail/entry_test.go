package trail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func sampleEntry() Entry {
	return Entry{
		Kind:    KindRetraction,
		At:      time.Date(2026, 3, 14, 9, 26, 53, 589793238, time.UTC),
		Digest:  sha256.Sum256([]byte("record")),
		Length:  6,
		Subject: "heron-000017",
		Actor:   "keeper",
		Text:    "the projector was left on",
	}
}

// TestEntryBytes pins the byte form that doc.go states: a trail outlives the
// program that wrote it.
func TestEntryBytes(t *testing.T) {
	const want = "776d6501" + "04" + "189cab0a3421e9d6" +
		"70ce871f8a3d3fb449bc3c3ace6547cef02dfc74ffe48d912532a724bfdbe5b9" + "0000000000000006" +
		"000c" + "6865726f6e2d303030303137" + "0006" + "6b6565706572" +
		"0019" + "7468652070726f6a6563746f7220776173206c656674206f6e"
	b, err := sampleEntry().Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if got := hex.EncodeToString(b); got != want {
		t.Errorf("entry bytes\n got %s\nwant %s", got, want)
	}
}

func anyEntry(t *rapid.T) Entry {
	text := rapid.StringMatching(`[a-z0-9 äλ/.-]{1,40}`)
	return Entry{
		Kind:    Kind(rapid.IntRange(1, len(kindNames)-1).Draw(t, "kind")),
		At:      time.Unix(0, rapid.Int64().Draw(t, "at")).UTC(),
		Digest:  sha256.Sum256([]byte(text.Draw(t, "content"))),
		Length:  rapid.Int64Range(0, math.MaxInt64).Draw(t, "length"),
		Subject: text.Draw(t, "subject"),
		Actor:   text.Draw(t, "actor"),
		Text:    text.Draw(t, "text"),
	}
}

func TestEntryRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := anyEntry(t)
		b, err := e.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseEntry(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(e, got); d != "" {
			t.Fatal(d)
		}
		if cut := rapid.IntRange(0, len(b)-1).Draw(t, "cut"); errOf(ParseEntry(b[:cut])) == nil {
			t.Fatalf("parses when cut to %d bytes", cut)
		}
		if errOf(ParseEntry(append(b, 0))) == nil {
			t.Fatal("parses with a byte more")
		}
	})
}

func TestEntryRefusals(t *testing.T) {
	for name, spoil := range map[string]func(*Entry){
		"no kind":          func(e *Entry) { e.Kind = 0 },
		"unknown kind":     func(e *Entry) { e.Kind = Kind(len(kindNames)) },
		"no reason":        func(e *Entry) { e.Text = "" },
		"no subject":       func(e *Entry) { e.Subject = "" },
		"no actor":         func(e *Entry) { e.Actor = "" },
		"long subject":     func(e *Entry) { e.Subject = strings.Repeat("x", maxName+1) },
		"long text":        func(e *Entry) { e.Text = strings.Repeat("x", maxText+1) },
		"line break":       func(e *Entry) { e.Text = "one\ntwo" },
		"escape":           func(e *Entry) { e.Subject = "a\x1b[2Jb" },
		"not UTF-8":        func(e *Entry) { e.Actor = "\xff" },
		"negative length":  func(e *Entry) { e.Length = -1 },
		"time before 1678": func(e *Entry) { e.At = time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC) },
		"time after 2262":  func(e *Entry) { e.At = time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC) },
	} {
		e := sampleEntry()
		spoil(&e)
		if b, err := e.Marshal(); !errors.Is(err, ErrMalformed) || b != nil {
			t.Errorf("%s: %x, %v; want ErrMalformed", name, b, err)
		}
	}
	b, _ := sampleEntry().Marshal()
	b[entryFixed-8] = 0x80 // a length above 2^63-1
	if _, err := ParseEntry(b); !errors.Is(err, ErrMalformed) {
		t.Errorf("length above 2^63-1: %v", err)
	}
}

func TestKindNames(t *testing.T) {
	seen := map[string]bool{}
	for k := Kind(1); k.known(); k++ {
		if s := k.String(); s == "" || seen[s] {
			t.Errorf("kind %d: name %q is empty or taken", uint8(k), s)
		}
		seen[k.String()] = true
	}
	if got := Kind(0).String(); got != "kind(0)" {
		t.Error(got)
	}
}

// FuzzParseEntry: what parses marshals to the same bytes.
func FuzzParseEntry(f *testing.F) {
	b, err := sampleEntry().Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:entryFixed])
	f.Add([]byte(entryMagic))
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := ParseEntry(b)
		if err != nil {
			if !errors.Is(err, ErrMalformed) || e != (Entry{}) {
				t.Fatalf("refusal gives %+v, %v", e, err)
			}
			return
		}
		again, err := e.Marshal()
		if err != nil || !bytes.Equal(again, b) {
			t.Fatalf("%x marshals to %x, %v", b, again, err)
		}
	})
}
