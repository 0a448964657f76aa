package smbios_test

import (
	"fmt"
	"reflect"

	"witnessmark/internal/smbios"
)

// describe spells out every typed field of a table under its path, such as
// "Modules[0].Rated".
func describe(t smbios.Table) map[string]string {
	out := map[string]string{}
	firmware, _ := t.Firmware()
	system, _ := t.System()
	chassis, _ := t.Chassis()
	spell(out, "Firmware", firmware)
	spell(out, "System", system)
	spell(out, "Chassis", chassis)
	spellAll(out, "Boards", t.Boards())
	spellAll(out, "Processors", t.Processors())
	spellAll(out, "Slots", t.Slots())
	spellAll(out, "Arrays", t.Arrays())
	spellAll(out, "Ranges", t.ArrayRanges())
	spellAll(out, "Modules", t.Modules())
	for i, m := range t.Modules() {
		out[fmt.Sprintf("Modules[%d].Populated", i)] = fmt.Sprint(m.Populated())
	}
	return out
}

func spellAll[T any](out map[string]string, path string, all []T) {
	for i, v := range all {
		spell(out, fmt.Sprintf("%s[%d]", path, i), v)
	}
}

// spell writes the exported fields of a struct.
func spell(out map[string]string, path string, v any) {
	r := reflect.ValueOf(v)
	for i := range r.NumField() {
		if f := r.Type().Field(i); f.IsExported() {
			out[path+"."+f.Name] = fmt.Sprint(r.Field(i).Interface())
		}
	}
}
