package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
)

// TestPrintState: a collector that takes nothing shows, and what waits for it.
func TestPrintState(t *testing.T) {
	s := answer.State{Refusing: "the collector is short of room: 3 MiB are free", Hint: "make room", Since: time.Unix(1e9, 0).UTC(), Free: 3 << 20, Total: 1 << 30, Floor: 5 << 20}
	rigs := []answer.RigSummary{
		{Name: "heron", Beat: &answer.Beat{Waiting: deliver.Waiting{Runs: 2}}},
		{Name: "plover", Beat: &answer.Beat{Waiting: deliver.Waiting{Runs: 3}}},
		{Name: "avocet", Beat: &answer.Beat{}}, {Name: "grebe"},
	}
	var out bytes.Buffer
	d := &desk{}
	d.stdout = &out
	if err := printState(d, rigs, s); err != nil {
		t.Fatal(err)
	}
	want := "no deliveries are taken since 2001-09-09 01:46:40; 5 runs wait at 2 rigs: the collector is short of room: 3 MiB are free\nhint: make room\n"
	if out.String() != want {
		t.Errorf("%q", out.String())
	}
	out.Reset()
	if err := printState(d, rigs, answer.State{Free: 1 << 40}); err != nil || out.Len() != 0 {
		t.Errorf("%q, %v", out.String(), err)
	}
	if err := printRigsJSON(d, rigs, s); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Rigs      []answer.RigRow
		Collector answer.StateRow
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil || len(got.Rigs) != 4 || got.Collector.Taking || got.Collector.Free != 3<<20 || !strings.Contains(got.Collector.Refusing, "short of room") {
		t.Errorf("%+v, %v in\n%s", got, err, out.String())
	}
}
