package sim

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"witnessmark/internal/compare"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/timing"
)

// Record gives a simulated run as its rig would record it, with the bytes of its
// attachments: the frame times to the nanosecond in a log of one column.
func Record(r compare.Run) (*record.Run, [][]byte) {
	log := Log(r.Durations)
	out := &record.Run{
		ID: r.ID, Rig: r.Rig, Group: r.Group, Repeat: max(1, r.Repeat), Repeats: max(1, r.Repeat),
		Started: r.Started, Elapsed: r.Elapsed, Exit: record.Exit{Outcome: record.Finished},
		Workload: record.Workload{Name: r.Workload, Version: r.WorkloadVersion, Content: r.Content, Settings: r.Settings, Command: []string{"./" + r.Workload}},
		Before:   r.Before, After: r.After, Signals: r.Signals, Results: r.Results, Played: r.Played, AgentVersion: "0.1.0",
	}
	if r.Boot.Boot != "" {
		out.Clock = &record.Clock{BootClock: r.Boot}
		if r.Boot.Offset == nil {
			out.Clock.Unread.Reason = rig.Absent
		}
	}
	if r.Setup != "" {
		out.Setup = &record.Setup{Label: r.Setup, Source: setupFile(r), FileName: r.Setup + ".toml"}
	}
	if r.Durations == nil {
		return out, nil
	}
	out.Attachments = []record.Attachment{record.Attach("frames.csv", record.TimingLog, log)}
	out.Logs = []record.Log{{Attachment: "frames.csv", Rows: len(r.Durations),
		Spec: timing.Spec{Column: "frame_ms", Kind: timing.Duration, Unit: timing.Milliseconds, Separator: "none", Decimal: ".", Header: "yes"}}}
	return out, [][]byte{log}
}

// Log writes frame times as a timing log.
func Log(nanos []int64) []byte {
	var b []byte
	b = append(b, "frame_ms\n"...)
	for _, ns := range nanos {
		b = fmt.Appendf(b, "%d.%06d\n", ns/1e6, ns%1e6)
	}
	return b
}

func setupFile(r compare.Run) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "label = %s\n[expect]\n", strconv.Quote(r.Setup))
	for _, k := range slices.Sorted(maps.Keys(r.Declared)) {
		fmt.Fprintf(&b, "%s = %s\n", strconv.Quote(k), r.Declared[k])
	}
	if len(r.Noted) > 0 {
		b.WriteString("[noted]\n")
	}
	for _, k := range slices.Sorted(maps.Keys(r.Noted)) {
		fmt.Fprintf(&b, "%s = %s\n", strconv.Quote(k), strconv.Quote(r.Noted[k]))
	}
	return []byte(b.String())
}
