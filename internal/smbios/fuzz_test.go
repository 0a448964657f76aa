package smbios_test

import (
	"bytes"
	"reflect"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// seeds are tables of every kind the builder can make.
func seeds() []dmi.Machine {
	out := []dmi.Machine{dmi.Astrolabe(), {}}
	odd := dmi.Astrolabe()
	odd.Modules, odd.OmitEnd, odd.OEMStrings = oddModules(), true, []string{"orrery"}
	short := dmi.Astrolabe()
	short.ModuleLength, short.Entry32 = 0x15, true
	return append(out, odd, short)
}

// FuzzDecode holds, for any bytes, what Decode promises: the structures of a
// prefix are a prefix of the structures; they lie one behind the other; damage
// is within the table; and a table without an end structure is never passed as
// whole.
func FuzzDecode(f *testing.F) {
	for _, m := range seeds() {
		table := m.Table()
		f.Add(table, uint(len(table)/2), byte(0))
		f.Add(append(table, 0xFF, 0xFF, 0xFF), uint(len(table)), byte(7))
	}
	f.Fuzz(func(t *testing.T, table []byte, cut uint, count byte) {
		if len(table) > 1<<16 {
			return
		}
		whole := smbios.Decode(table)
		checkWalk(t, table, whole)
		describe(whole)

		part := smbios.Decode(table[:cut%uint(len(table)+1)])
		n := len(part.Structures)
		if n > len(whole.Structures) || n > 0 && !reflect.DeepEqual(part.Structures, whole.Structures[:n]) {
			t.Fatalf("cut to %d bytes: not a prefix", cut)
		}

		// With an entry point that counts wrongly, nothing read without it is lost.
		entry := withCount(dmi.Machine{}.EntryPoint32(len(table)), uint16(count))
		announced := smbios.DecodeWith(entry, table)
		if n := len(whole.Structures); len(announced.Structures) < n || n > 0 && !reflect.DeepEqual(announced.Structures[:n], whole.Structures) {
			t.Fatalf("with %d structures announced: not the same structures", count)
		}
	})
}

func checkWalk(t *testing.T, table []byte, got smbios.Table) {
	t.Helper()
	at, ended := 0, false
	for _, s := range got.Structures {
		if s.Offset != at || s.Length() < 4 || !bytes.Equal(s.Formatted(), table[at:at+s.Length()]) {
			t.Fatalf("%v at %#x, expected at %#x", s, s.Offset, at)
		}
		at += s.Length() + bytes.Index(table[at+s.Length():], []byte{0, 0}) + 2
		ended = ended || s.Type == 127
	}
	if at > len(table) || ended == (len(got.Damage) > 0) {
		t.Fatalf("%d bytes of %d read, ended %v, damage %v", at, len(table), ended, got.Damage)
	}
	for _, d := range got.Damage {
		if d.Offset < at || d.Offset > len(table) || d.What == "" || d.Why == "" {
			t.Fatalf("damage %+v behind %#x", d, at)
		}
	}
}

// FuzzRedact: no field but the secret ones changes, nor any offset or damage,
// and redacting twice with equal inputs gives equal outputs.
func FuzzRedact(f *testing.F) {
	for _, m := range seeds() {
		f.Add(m.Table())
		f.Add(m.Table()[:len(m.Table())/2])
		if sharesStrings(smbios.Decode(m.Table())) {
			f.Fatal("a seed on which nothing would be checked")
		}
	}
	f.Fuzz(func(t *testing.T, table []byte) {
		if len(table) > 1<<16 {
			return
		}
		kept := bytes.Clone(table)
		redacted := smbios.Redact(table, nil)
		if !bytes.Equal(table, kept) || len(redacted) != len(table) || !bytes.Equal(redacted, smbios.Redact(table, nil)) {
			t.Fatal("the table given was changed, the length was, or the outcome depends on more than the input")
		}
		was, is := smbios.Decode(table), smbios.Decode(redacted)
		if !reflect.DeepEqual(was.Damage, is.Damage) || len(was.Structures) != len(is.Structures) {
			t.Fatalf("%d structures, damage %v became %d, %v", len(was.Structures), was.Damage, len(is.Structures), is.Damage)
		}
		if sharesStrings(was) {
			return
		}
		after := describe(is)
		for path, before := range describe(was) {
			if after[path] != before && !isSecret(path) {
				t.Fatalf("%s was %q and is %q", path, before, after[path])
			}
		}
	})
}

// references are the offsets of string references: of those that may be
// redacted, and of the others.
var references = map[uint8]struct{ secret, open []int }{
	1:  {[]int{0x07}, []int{0x04, 0x05, 0x06, 0x19, 0x1A}},
	2:  {[]int{0x07, 0x08}, []int{0x04, 0x05, 0x06}},
	3:  {[]int{0x07, 0x08}, []int{0x04, 0x06}},
	4:  {[]int{0x20, 0x21}, []int{0x04, 0x07, 0x10, 0x22}},
	17: {[]int{0x18, 0x19}, []int{0x10, 0x11, 0x17, 0x1A, 0x2B}},
}

// sharesStrings reports whether a secret and an open field of one structure
// refer to the same string, where the promise does not hold.
func sharesStrings(t smbios.Table) bool {
	for _, s := range t.Structures {
		b, refs := s.Formatted(), references[s.Type]
		open := refs.open
		if s.Type == 3 && len(b) > 0x15 {
			open = append([]int{0x15 + int(b[0x13])*int(b[0x14])}, open...)
		}
		for _, secret := range refs.secret {
			for _, other := range open {
				if secret < len(b) && other < len(b) && b[secret] != 0 && b[secret] == b[other] {
					return true
				}
			}
		}
	}
	return false
}

// FuzzDump: a dump that is read has a version and no structure beyond the file,
// and one that is not read gives nothing but an error.
func FuzzDump(f *testing.F) {
	for _, m := range seeds() {
		f.Add(m.Dump())
	}
	f.Fuzz(func(t *testing.T, dump []byte) {
		got, err := smbios.DecodeDump(dump)
		if err != nil {
			if got.Structures != nil || got.Damage != nil {
				t.Fatalf("an error and a table: %v", err)
			}
			return
		}
		if _, ok := got.Version.Get(); !ok {
			t.Fatal("no version")
		}
		for _, s := range got.Structures {
			if s.Offset+s.Length() > len(dump) {
				t.Fatalf("%v reaches past the file", s)
			}
		}
		describe(got)
	})
}
