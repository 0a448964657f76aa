package timing

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestNames(t *testing.T) {
	for name, want := range map[string]meaning{
		"":                      {},
		"frame_ms":              {class: nameDuration, unit: "ms", timed: true},
		"Frame time (ms)":       {class: nameDuration, unit: "ms", timed: true},
		"frameTimeMs":           {class: nameDuration, unit: "ms", timed: true},
		"FrameTimeMS":           {class: nameDuration, unit: "ms", timed: true},
		"FRAMETIME":             {class: nameDuration},
		"dt [µs]":               {class: nameDuration, unit: "us"},
		"dt_μs":                 {class: nameDuration, unit: "us"},
		"ms/frame":              {class: nameDuration, unit: "ms", timed: true},
		"seconds per pass":      {class: nameDuration, unit: "s", timed: true},
		"t/ms":                  {class: nameTime, unit: "ms"},
		"time [s]":              {class: nameTime, unit: "s"},
		"time":                  {class: nameTime},
		"timestamp_ns":          {class: nameStamp, unit: "ns"},
		"frame start, ms":       {class: nameStamp, unit: "ms", timed: true},
		"time since start":      {class: nameStamp},
		"since last frame (ms)": {class: nameDuration, unit: "ms", timed: true},
		"time between frames":   {class: nameDuration},
		"wait ms":               {class: nameDuration, unit: "ms", timed: true},
		"shadow_ms":             {unit: "ms"},
		"fps":                   {class: nameRate},
		"FPSAvg":                {class: nameRate},
		"frames/s":              {class: nameRate},
		"items_per_second":      {class: nameRate},
		"frames per s":          {class: nameRate},
		"cpu_clock":             {class: nameOther, timed: true},
		"gpu load %":            {class: nameOther, timed: true},
		"Temp (°C)":             {class: nameOther},
		"load_time_ms":          {unit: "ms"},
		"frame":                 {class: nameMaybeIndex, timed: true},
		"frame number":          {class: nameIndex, timed: true},
		"row":                   {class: nameIndex},
		"ms_to_s":               {},
		"scene":                 {},
		"planet's name":         {},
	} {
		if d := cmp.Diff(want, readName(name), cmp.AllowUnexported(meaning{})); d != "" {
			t.Errorf("%q: %s", name, d)
		}
	}
}

func TestWordsHaveOneClass(t *testing.T) {
	for word := range nameWords {
		if _, ok := unitWords[word]; ok {
			t.Errorf("%q is a unit too", word)
		}
	}
	n := 0
	for _, words := range classWords {
		n += len(strings.Fields(words))
	}
	if n != len(nameWords) {
		t.Errorf("%d words in the lists, %d different ones", n, len(nameWords))
	}
}
