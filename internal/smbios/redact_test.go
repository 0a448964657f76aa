package smbios_test

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"slices"
	"strings"
	"testing"

	"witnessmark/internal/labtest/dmi"
	"witnessmark/internal/smbios"
)

// secretFields are the ends of the paths that Redact may change.
var secretFields = []string{".Serial", ".Asset", ".UUID"}

func isSecret(path string) bool {
	return slices.ContainsFunc(secretFields, func(end string) bool { return strings.HasSuffix(path, end) })
}

func TestRedact(t *testing.T) {
	m := dmi.Astrolabe()
	m.OEMStrings = []string{"DS-000417 is left alone here"}
	m.Modules[1].Asset = "WS-17" // the chassis' own
	m.Modules[3].Serial = "  " + m.Modules[1].Serial + "   "
	table := m.Table()
	keyed := func(b []byte) []byte {
		h := hmac.New(sha256.New, []byte("planetarium"))
		h.Write(b)
		return h.Sum(nil)
	}
	for name, digest := range map[string]smbios.Digest{"plain": nil, "keyed": keyed} {
		redacted := smbios.Redact(table, digest)
		if len(redacted) != len(table) || !bytes.Equal(redacted, smbios.Redact(table, digest)) {
			t.Fatalf("%s: %d bytes of %d, or not the same twice", name, len(redacted), len(table))
		}
		before, after := describe(smbios.Decode(table)), describe(smbios.Decode(redacted))
		for path, was := range before {
			now := after[path]
			if wantChange := isSecret(path) && !strings.HasPrefix(was, "("); (now != was) != wantChange {
				t.Errorf("%s: %s was %q and is %q", name, path, was, now)
			}
			if len(now) != len(was) {
				t.Errorf("%s: %s was %q and is %q, of another length", name, path, was, now)
			}
		}
		if after["Modules[1].Asset"] != after["Chassis.Asset"] || after["Modules[3].Serial"] != after["Modules[1].Serial"] {
			t.Errorf("%s: equal inputs got unequal stand-ins: %v", name, after)
		}
		if after["Modules[1].Serial"] != smbios.StandIn(m.Modules[1].Serial, digest) {
			t.Errorf("%s: StandIn and Redact differ", name)
		}
		for _, secret := range []string{"DS-000417", "AX1-001873", "CH-000093", "WS-17", "SX-77120", "MM0007-02", "MM0007-04"} {
			if n := bytes.Count(redacted, []byte(secret)); n > bytes.Count([]byte(m.OEMStrings[0]), []byte(secret)) {
				t.Errorf("%s: %q is still in it", name, secret)
			}
		}
	}
	if bytes.Equal(smbios.Redact(table, nil), smbios.Redact(table, keyed)) {
		t.Error("the digest passed in made no difference")
	}
}

// TestRedactKeepsWhatSaysNothing: fill and missing UUIDs are no secrets.
func TestRedactKeepsWhatSaysNothing(t *testing.T) {
	m := dmi.Astrolabe()
	m.System.Serial, m.System.UUID = "System Serial Number", [16]byte{}
	m.Board.Serial, m.Chassis.Serial, m.Chassis.Asset = "Default string", "00000000", "   "
	m.Processors[0].Serial = "Unknown"
	m.Modules = dmi.Fill(4, 0, dmi.Module{})
	table := m.Table()
	if got := smbios.Redact(table, nil); !bytes.Equal(got, table) {
		t.Errorf("changed at offset %#x", firstDifference(got, table))
	}
}

func firstDifference(a, b []byte) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

// TestRedactSharedString: firmware may let two fields point at one string. The
// secret wins.
func TestRedactSharedString(t *testing.T) {
	table := dmi.Astrolabe().Table()
	at := offsetOf(t, table, 2, 0)
	table[at+6] = table[at+7] // version and serial
	b, _ := smbios.Decode(smbios.Redact(table, nil)).Board()
	if b.Serial.String() == "AX1-001873" || b.Version.String() != b.Serial.String() {
		t.Errorf("version %v, serial %v", b.Version, b.Serial)
	}
}

// TestRedactEveryTruncation: a cut table may hold half a serial number behind
// its last whole structure. None is left, and the damage reads the same.
func TestRedactEveryTruncation(t *testing.T) {
	table := dmi.Astrolabe().Table()
	for cut := range table {
		redacted := smbios.Redact(table[:cut], nil)
		was, is := smbios.Decode(table[:cut]), smbios.Decode(redacted)
		if len(was.Damage) != len(is.Damage) || was.Damage[0] != is.Damage[0] {
			t.Fatalf("cut to %d bytes: damage was %v and is %v", cut, was.Damage, is.Damage)
		}
		for _, part := range []string{"DS-0004", "AX1-0018", "CH-0000", "SX-77", "MM0007-0"} {
			if bytes.Contains(redacted, []byte(part)) {
				t.Fatalf("cut to %d bytes: %q is still in it", cut, part)
			}
		}
	}
}

// TestStandIn draws stand-ins of every length, also where the digest is short
// or would give what looks like fill.
func TestStandIn(t *testing.T) {
	zeros := func([]byte) []byte { return []byte{0} }
	nothing := func([]byte) []byte { return nil }
	for n := 1; n < 200; n++ {
		text := strings.Repeat("7", n-1) + "k"
		for name, digest := range map[string]smbios.Digest{"plain": nil, "zeros": zeros, "nothing": nothing} {
			got := smbios.StandIn(" "+text+"\t", digest)
			if len(got) != n+2 || got[0] != ' ' || got[n+1] != '\t' || strings.Trim(got[1:n+1], "0123456789ABCDEFGHJKLMNPQRTUVWXY") != "" {
				t.Errorf("%s, %d bytes: %q", name, n, got)
			}
			if name == "plain" && smbios.IsFill(got) {
				t.Errorf("%d bytes: %q looks like fill", n, got)
			}
		}
	}
	for c := byte('!'); c <= '~'; c++ { // of one letter, where every 32nd would be X
		if text := string(c); !smbios.IsFill(text) && smbios.IsFill(smbios.StandIn(text, nil)) {
			t.Errorf("%q became %q", text, smbios.StandIn(text, nil))
		}
	}
	// The first letters are those of SHA-256 itself.
	sum := sha256.Sum256([]byte("DS-000417"))
	if got, want := smbios.StandIn("DS-000417", nil)[0], "0123456789ABCDEFGHJKLMNPQRTUVWXY"[sum[0]%32]; got != want {
		t.Errorf("first letter %c, want %c", got, want)
	}
}

func TestRedactOtherTypes(t *testing.T) {
	battery := append([]byte{22, 0x1A, 0, 0x22, 1, 2, 0, 3}, make([]byte, 0x1A-8)...)
	battery = append(battery, "Dome\x00Meridian\x00BT-4471\x00\x00"...)
	supply := append([]byte{39, 0x16, 0, 0x39, 0, 1, 2, 3, 4, 5, 6}, make([]byte, 0x16-11)...)
	supply = append(supply, "Bay 1\x00Supply\x00Meridian\x00PS-9931\x00TAG-31\x00MP-850\x00\x00"...)
	m := dmi.Astrolabe()
	m.Extra = [][]byte{battery, supply}
	redacted := smbios.Redact(m.Table(), nil)
	for _, gone := range []string{"BT-4471", "PS-9931", "TAG-31"} {
		if bytes.Contains(redacted, []byte(gone)) {
			t.Errorf("%q is still in it", gone)
		}
	}
	for _, kept := range []string{"Dome\x00Meridian\x00", "Bay 1\x00Supply\x00Meridian\x00", "\x00MP-850\x00\x00"} {
		if !bytes.Contains(redacted, []byte(kept)) {
			t.Errorf("%q is gone", kept)
		}
	}
}
