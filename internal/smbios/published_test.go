package smbios_test

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"testing"

	"witnessmark/internal/smbios"
)

// type17 is the part of testdata/check/memory_standards.json that is about
// memory modules.
type type17 struct {
	Source   string            `json:"source"`
	Obtained string            `json:"obtained"`
	Types    map[string]string `json:"memory_type_hex"`
	Forms    map[string]string `json:"form_factor_hex"`
	Details  map[string]string `json:"type_detail_bits"`
	Records  []struct {
		Name   string
		Hex    string
		Expect map[string]any
	}
}

func published(t *testing.T) type17 {
	t.Helper()
	b, err := os.ReadFile("../../testdata/check/memory_standards.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Type17 type17 `json:"smbios_type17"`
	}
	if err := json.Unmarshal(b, &file); err != nil {
		t.Fatal(err)
	}
	return file.Type17
}

// TestPublishedRecords decodes the synthetic type 17 records of the check data.
// Source: DMTF DSP0134, type 17. Provenance: codes and field order
// public copy, a header that follows version 3.7; special values
// memory, confirmed there by dmidecode 3.4.
func TestPublishedRecords(t *testing.T) {
	p := published(t)
	if len(p.Records) != 7 {
		t.Fatalf("%d records, want 7", len(p.Records))
	}
	for _, record := range p.Records {
		raw, err := hex.DecodeString(record.Hex)
		if err != nil {
			t.Fatal(err)
		}
		modules := smbios.Decode(append(raw, 127, 4, 0, 0x7F, 0, 0)).Modules()
		if len(modules) != 1 {
			t.Errorf("%s: %d modules", record.Name, len(modules))
			continue
		}
		ours := inWords(modules[0])
		for key, want := range record.Expect {
			if got, ok := ours[key]; !ok || got != want {
				t.Errorf("%s: %s is %v, want %v", record.Name, key, got, want)
			}
		}
	}
}

// inWords gives a module under the keys of the check data: numbers as JSON has
// them, nil for what is not known.
func inWords(m smbios.Module) map[string]any {
	return map[string]any{
		"populated":      m.Populated(),
		"size_mib":       scaled(m.Size, float64(smbios.MiB)),
		"size_kib":       scaled(m.Size, float64(smbios.KiB)),
		"total_width":    scaled(m.TotalWidth, 1),
		"data_width":     scaled(m.DataWidth, 1),
		"ecc":            plain(m.ECC().Get()),
		"type":           plain(m.Type.String(), true),
		"speed_mts":      scaled(m.Rated, 1),
		"configured_mts": scaled(m.Configured, 1),
		"configured_mV":  scaled(m.ConfiguredVoltage, 1),
		"rank":           scaled(m.Rank, 1),
		"locator":        plain(m.Locator.Get()),
		"bank":           plain(m.Bank.Get()),
		"manufacturer":   plain(m.Maker.Get()),
		"part":           plain(m.Part.Get()),
	}
}

func plain[T any](v T, ok bool) any {
	if !ok {
		return nil
	}
	return v
}

func scaled[T ~uint8 | ~uint16 | ~uint32 | ~uint64](v smbios.Value[T], unit float64) any {
	n, ok := v.Get()
	if !ok {
		return nil
	}
	return float64(n) / unit
}

// TestPublishedCodes holds our names against the transcribed tables.
func TestPublishedCodes(t *testing.T) {
	p := published(t)
	for code, want := range p.Types {
		if got := smbios.MemoryType(oneByte(t, code)).String(); got != want {
			t.Errorf("memory type %s is %q, want %q", code, got, want)
		}
	}
	for code, want := range p.Forms {
		if got := smbios.FormFactor(oneByte(t, code)).String(); got != want {
			t.Errorf("form factor %s is %q, want %q", code, got, want)
		}
	}
	for bit, want := range p.Details {
		var n int
		if err := json.Unmarshal([]byte(bit), &n); err != nil {
			t.Fatal(err)
		}
		if got := smbios.TypeDetail(1 << n).String(); got != want {
			t.Errorf("type detail bit %d is %q, want %q", n, got, want)
		}
	}
}

func oneByte(t *testing.T, code string) byte {
	t.Helper()
	b, err := hex.DecodeString(code)
	if err != nil || len(b) != 1 {
		t.Fatalf("%q is no code of one byte", code)
	}
	return b[0]
}
