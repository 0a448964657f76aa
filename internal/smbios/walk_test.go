package smbios_test

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// ends gives, for each structure of m, the offset behind it, by the builder's
// own reckoning.
func ends(m dmi.Machine) []int {
	var out []int
	at := 0
	for _, s := range m.Structures() {
		at += len(s)
		out = append(out, at)
	}
	return out
}

// wholeBefore counts the structures that end at or before offset.
func wholeBefore(ends []int, offset int) int {
	n := 0
	for n < len(ends) && ends[n] <= offset {
		n++
	}
	return n
}

func TestEveryTruncation(t *testing.T) {
	m := dmi.Astrolabe()
	m.OEMStrings = []string{"orrery", "dome"}
	table, at := m.Table(), ends(m)
	whole := smbios.Decode(table)
	if len(whole.Structures) != len(at) || len(whole.Damage) > 0 {
		t.Fatalf("%d structures of %d, damage %v", len(whole.Structures), len(at), whole.Damage)
	}
	for cut := range table {
		got := smbios.Decode(table[:cut])
		n := wholeBefore(at, cut)
		if len(got.Structures) != n || !reflect.DeepEqual(append([]smbios.Structure{}, whole.Structures[:n]...), append([]smbios.Structure{}, got.Structures...)) {
			t.Fatalf("cut to %d bytes: %d structures, want the first %d", cut, len(got.Structures), n)
		}
		start := 0
		if n > 0 {
			start = at[n-1]
		}
		if len(got.Damage) != 1 || got.Damage[0].Offset != start || got.Damage[0].What == "" || got.Damage[0].Why == "" {
			t.Fatalf("cut to %d bytes: damage %v, want one at %#x", cut, got.Damage, start)
		}
		want := smbios.Cut
		if isZero(table[start:cut]) { // nothing, or the first byte of a type 0
			want = smbios.NoEnd
		}
		if got.Damage[0].Kind != want {
			t.Fatalf("cut to %d bytes: damage %v, want kind %d", cut, got.Damage, want)
		}
	}
}

func isZero(b []byte) bool { return bytes.Count(b, []byte{0}) == len(b) }

// TestEveryTruncationOfADump cuts the file instead, so that the entry point
// announces more than there is.
func TestEveryTruncationOfADump(t *testing.T) {
	for _, narrow := range []bool{false, true} {
		m := dmi.Astrolabe()
		m.Entry32 = narrow
		dump, at := m.Dump(), ends(m)
		for cut := 0x20; cut < len(dump); cut++ {
			got, err := smbios.DecodeDump(dump[:cut])
			if n := wholeBefore(at, cut-0x20); err != nil || len(got.Structures) != n {
				t.Fatalf("cut to %d bytes: %d structures, %v, want %d", cut, len(got.Structures), err, n)
			}
			if len(got.Damage) < 2 {
				t.Fatalf("cut to %d bytes: damage %v", cut, got.Damage)
			}
		}
	}
}

// TestMutations changes bytes at random: no panic, and every structure that
// ends before the first changed byte is as it was.
func TestMutations(t *testing.T) {
	rounds := 3000
	if testing.Short() {
		rounds = 300
	}
	r := rand.New(rand.NewPCG(0xD5, 0x134))
	m := dmi.Astrolabe()
	table, at := m.Table(), ends(m)
	whole := smbios.Decode(table)
	for range rounds {
		changed, first := bytes.Clone(table), len(table)
		for range 1 + r.IntN(8) {
			i := r.IntN(len(changed))
			changed[i] = byte(r.Uint32())
			first = min(first, i)
		}
		got := smbios.Decode(changed)
		n := wholeBefore(at, first)
		if len(got.Structures) < n || !reflect.DeepEqual(got.Structures[:n:n], whole.Structures[:n:n]) {
			t.Fatalf("changed from offset %#x on: the %d structures before it did not stay", first, n)
		}
		describe(got)
		smbios.Redact(changed, nil)
		_, _ = smbios.DecodeDump(append(m.EntryPoint64(len(table)), changed...))
	}
}

func TestDamageSaysWhatWhereWhy(t *testing.T) {
	m := dmi.Astrolabe()
	table, at := m.Table(), ends(m)
	broken := bytes.Clone(table)
	broken[at[2]+1] = 3
	for name, c := range map[string]struct {
		table []byte
		want  string
	}{
		"length of 3":     {broken, "type 3, handle 0x0300: offset 0x%x: says that it is 3 bytes long"},
		"cut formatted":   {table[:at[2]+10], "type 3, handle 0x0300: offset 0x%x: its 22 bytes reach 12 past the end"},
		"cut strings":     {table[:at[2]+30], "type 3, handle 0x0300: offset 0x%x: its strings have no end"},
		"cut header":      {table[:at[2]+3], "structure header: offset 0x%x: 3 of 4 bytes"},
		"no end":          {table[:at[2]], "structure table: offset 0x%x: no end structure after 3 structures"},
		"padding, no end": {append(bytes.Clone(table[:at[2]]), 0, 0, 0, 0, 0, 0), "structure table: offset 0x%x: no end structure"},
	} {
		got := smbios.Decode(c.table)
		want := strings.Replace(c.want, "0x%x", smbios.Address(at[2]).String(), 1)
		if len(got.Damage) != 1 || !strings.HasPrefix(got.Damage[0].String(), want) || len(got.Structures) != 3 {
			t.Errorf("%s: %d structures, damage %v, want %q", name, len(got.Structures), got.Damage, want)
		}
	}
}

func TestLimits(t *testing.T) {
	small := []byte{200, 4, 0, 0, 0, 0}
	many := smbios.Decode(bytes.Repeat(small, smbios.MaxStructures+1))
	if len(many.Structures) != smbios.MaxStructures || len(many.Damage) != 1 || many.Damage[0].Kind != smbios.TooMany {
		t.Errorf("%d structures, damage %v", len(many.Structures), many.Damage)
	}
	full := append(bytes.Repeat(small, smbios.MaxStructures-1), 127, 4, 0, 0, 0, 0)
	if got := smbios.Decode(full); len(got.Structures) != smbios.MaxStructures || len(got.Damage) != 0 {
		t.Errorf("as many as allowed: %d structures, damage %v", len(got.Structures), got.Damage)
	}
	large := append(small, bytes.Repeat([]byte{'x'}, smbios.MaxTable)...)
	got := smbios.Decode(large)
	if len(got.Structures) != 1 || len(got.Damage) != 2 || got.Damage[0].Kind != smbios.Cut || got.Damage[1].Kind != smbios.TooLarge {
		t.Errorf("too large: %d structures, damage %v", len(got.Structures), got.Damage)
	}
	if again := smbios.Redact(large, nil); len(again) != len(large) {
		t.Errorf("redacted to %d bytes of %d", len(again), len(large))
	}
}

// TestStrings has string sets as firmware gets them wrong.
func TestStrings(t *testing.T) {
	for name, c := range map[string]struct {
		set   string
		ref   byte
		want  string
		state smbios.State
	}{
		"first":            {"a1\x00b2\x00\x00", 1, "a1", smbios.Known},
		"last":             {"a1\x00b2\x00\x00", 2, "b2", smbios.Known},
		"none":             {"a1\x00b2\x00\x00", 0, "", smbios.NotGiven},
		"beyond":           {"a1\x00b2\x00\x00", 3, "", smbios.Broken},
		"empty set":        {"\x00\x00", 1, "", smbios.Broken},
		"empty first":      {"\x00b2\x00\x00", 1, "", smbios.Broken},
		"padded":           {"  MM4-8G   \x00\x00", 1, "MM4-8G", smbios.Known},
		"terminal escapes": {"MM\x1b[31m4\x7f\x00\x00", 1, "MM.[31m4.", smbios.Known},
		"not ASCII":        {"M\xc3\xa9r\xff\x00\x00", 1, "M.r.", smbios.Known},
		"fill":             {"To Be Filled By O.E.M.\x00\x00", 1, "", smbios.Fill},
	} {
		// A type 2 whose only field is the maker.
		table := append([]byte{2, 5, 0, 2, c.ref}, c.set...)
		table = append(table, 127, 4, 0, 0, 0, 0)
		decoded := smbios.Decode(table)
		if len(decoded.Damage) > 0 {
			t.Errorf("%s: damage %v", name, decoded.Damage)
			continue
		}
		maker := decoded.Boards()[0].Maker
		if got, ok := maker.Get(); got != c.want || ok != (c.state == smbios.Known) || maker.State() != c.state {
			t.Errorf("%s: %q, %v, state %v, want %q, state %v", name, got, ok, maker.State(), c.want, c.state)
		}
	}
}
