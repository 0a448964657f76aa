package judge_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"witnessmark/internal/answer"
	"witnessmark/internal/drift"
	"witnessmark/internal/judge"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
)

// judged is all that is made of a record and its files without an archive.
func judged(run *record.Run, files [][]byte) (answer.Summary, error) {
	read := judge.Read(run, files)
	in := judge.Input(run, read.Found())
	var err error
	if in.Setup, err = judge.Setup(run); err != nil {
		return answer.Summary{}, err
	}
	return answer.Summarise(run, [32]byte{}, read.Statistics, drift.Judge(in)), nil
}

// FuzzJudged: whatever a rig signs and whatever its files hold, the same is made of it
// each time, has a form to be kept in, and its standing is what its flags make.
func FuzzJudged(f *testing.F) {
	rig := labtest.NewRig("heron", labtest.Seeded(41))
	for _, shape := range []labtest.Shape{{}, {}, {Plain: true, LogBytes: 3000}, {Setup: "memory-rated"}, {Bare: true}} {
		run := rig.Finish(shape)
		var data []byte
		if len(run.Data) > 0 {
			data = run.Data[0]
		}
		f.Add(run.Signed.Bytes, data)
		f.Add(run.Signed.Bytes, []byte("frame,ms\n1,16.6\n2,-3\n3,1e400\n"))
	}
	f.Fuzz(func(t *testing.T, b, data []byte) {
		run, err := record.Decode(b)
		if err != nil {
			t.Skip()
		}
		files := make([][]byte, len(run.Attachments))
		for i := range files {
			files[i] = data
		}
		s, err := judged(run, files)
		if err != nil {
			t.Skip() // its setup cannot be read
		}
		if s.Judgement.Standing != drift.StandingOf(s.Judgement.Flags) {
			t.Errorf("%v, by flags that make %v", s.Judgement.Standing, drift.StandingOf(s.Judgement.Flags))
		}
		kept, err := s.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := answer.ParseSummary(kept); err != nil {
			t.Fatal(err)
		}
		shown, err := json.Marshal(s.Brief())
		if err != nil {
			t.Fatalf("it has no JSON: %v", err)
		}
		if again, err := judged(run, files); err != nil {
			t.Fatal(err)
		} else if b, err := json.Marshal(again.Brief()); err != nil || !bytes.Equal(shown, b) {
			t.Errorf("the second time it is %s, and not %s: %v", b, shown, err)
		}
	})
}

// TestReadOtherwise: a log that the rig says it read otherwise is a finding, and the
// statistics are those of the log.
func TestReadOtherwise(t *testing.T) {
	run := labtest.NewRig("heron", labtest.Seeded(42)).Finish(labtest.Shape{Plain: true, LogBytes: 3000})
	honest := judge.Read(run.Run, run.Data)
	if f := honest.Found()[0]; f.Refused != "" || honest.Statistics.Frames == 0 {
		t.Fatalf("%+v", f)
	}
	rows := run.Logs[0].Rows
	run.Logs[0].Rows++
	read := judge.Read(run.Run, run.Data)
	if f := read.Found()[0]; f.Refused == "" || read.Statistics.Frames != honest.Statistics.Frames {
		t.Errorf("a row more: %+v", f)
	}
	run.Logs[0].Rows, run.Logs[0].Refused, run.Logs[0].Detail = rows, "empty", "the rig saw nothing"
	read = judge.Read(run.Run, run.Data)
	if f := read.Found()[0]; f.Refused == "" || read.Statistics.Frames != honest.Statistics.Frames {
		t.Errorf("refused by the rig: %+v", f)
	}
}

// TestSetupOfAnother: a record whose setup is not the one that it names is not judged.
func TestSetupOfAnother(t *testing.T) {
	run := labtest.NewRig("heron", labtest.Seeded(43)).Finish(labtest.Shape{Setup: "memory-rated"})
	if s, err := judge.Setup(run.Run); err != nil || s.Label != "memory-rated" {
		t.Fatal(err)
	}
	run.Setup.Label = "memory-default"
	if _, err := judge.Setup(run.Run); err == nil {
		t.Error("another label is taken")
	}
	run.Setup = nil
	if s, err := judge.Setup(run.Run); err != nil || s != nil {
		t.Errorf("none declared: %v, %v", s, err)
	}
}
