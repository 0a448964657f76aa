package answer

import (
	"encoding/hex"
	"time"

	"witnessmark/internal/drift"
)

// RigRow is a rig as JSON shows it.
type RigRow struct {
	Name         string         `json:"name"`
	Runs         int            `json:"runs"`
	LastRun      string         `json:"last_run"`
	LastStarted  time.Time      `json:"last_started,omitzero"` // with no runs there is none
	LastSetup    string         `json:"last_setup"`
	LastStanding drift.Standing `json:"last_standing"`
	LastPlayed   bool           `json:"last_played"`
	MarkedSetups []string       `json:"marked_setups"` // "" is the mark for runs without a setup
	KeySHA256    string         `json:"key_sha256"`
	Beat         *BeatRow       `json:"beat"` // null when it never sent one
}

// Row gives the rig as listings show it.
func (r RigSummary) Row() RigRow {
	row := RigRow{
		Name: r.Name, Runs: r.Runs, LastRun: r.LastRun, LastStarted: r.LastStarted, LastSetup: r.LastSetup,
		LastStanding: drift.Standing(r.LastStanding), LastPlayed: r.Played, MarkedSetups: r.MarkedSetups, KeySHA256: hex.EncodeToString(r.KeySHA256),
		Beat: r.Beat.row(),
	}
	if row.MarkedSetups == nil {
		row.MarkedSetups = []string{}
	}
	return row
}

// FlagRow is one flag of a run as JSON shows it outside its run.
type FlagRow struct {
	Run      string    `json:"run"`
	Rig      string    `json:"rig"`
	Workload string    `json:"workload"`
	Setup    string    `json:"setup"`
	Started  time.Time `json:"started"`
	Played   string    `json:"played,omitempty"`
	// Retracted says why the run is retracted, while it is.
	Retracted string `json:"retracted,omitempty"`
	drift.Flag
}

// FlagRows gives the run's flags, heaviest first, each with what it is a flag of.
func (s Summary) FlagRows() []FlagRow {
	var rows []FlagRow
	why := ""
	if r := s.Retraction.InForce(); r != nil {
		why = r.Why
	}
	for _, f := range s.Judgement.Flags {
		rows = append(rows, FlagRow{s.ID, s.Rig, s.Workload, s.Setup, s.Started, s.Played, why, f})
	}
	return rows
}

// MarkRow is an accepted reference as JSON shows it.
type MarkRow struct {
	Rig      string       `json:"rig"`
	Setup    string       `json:"setup"`
	Run      string       `json:"run"`
	Accepted time.Time    `json:"accepted"`
	By       string       `json:"by"`
	Why      string       `json:"why"`
	Receipt  *ReceiptJSON `json:"receipt,omitempty"`
}

// Row gives the mark as listings show it.
func (m Mark) Row() MarkRow {
	return MarkRow{Rig: m.Rig, Setup: m.Setup, Run: m.RunID, Accepted: m.At, By: m.By, Why: m.Why}
}
