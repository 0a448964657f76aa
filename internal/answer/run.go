package answer

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"strconv"
	"time"

	"witnessmark/internal/drift"
	"witnessmark/internal/record"
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
	"witnessmark/internal/timing"
	"witnessmark/internal/trail"
)

// Run is a run as JSON shows it. Listings leave out Receipt, Facts, Signals and
// what follows them.
type Run struct {
	ID              string                 `json:"id"`
	Rig             string                 `json:"rig"`
	Workload        string                 `json:"workload"`
	WorkloadVersion string                 `json:"workload_version"`
	Setup           string                 `json:"setup"`
	Group           string                 `json:"group"`
	Repeat          int                    `json:"repeat"`
	Started         time.Time              `json:"started"`
	Clock           *ClockJSON             `json:"clock,omitempty"`
	ElapsedSeconds  *float64               `json:"elapsed_seconds"` // wall time by the monotonic clock; null when the agent did not live to see the end
	Exit            int                    `json:"exit"`            // exit code; 128 plus a signal's number; -1 never started
	Outcome         string                 `json:"outcome"`
	OutcomeDetail   string                 `json:"outcome_detail,omitempty"`
	Standing        drift.Standing         `json:"standing"`
	Flags           []drift.Flag           `json:"flags"`
	Retracted       *RetractingJSON        `json:"retracted,omitempty"`       // while it is
	Retractions     []RetractingJSON       `json:"retractions,omitempty"`     // all there were, oldest first
	JudgedStanding  drift.Standing         `json:"judged_standing,omitempty"` // of a run that was ever retracted
	MarkRun         string                 `json:"mark_run,omitempty"`
	Results         map[string]ResultValue `json:"results"`
	Statistics      StatisticsJSON         `json:"statistics"`
	AgentCost       CostJSON               `json:"agent_cost"`
	RecordSHA256    string                 `json:"record_sha256"`
	Played          string                 `json:"played,omitempty"`
	Receipt         *ReceiptJSON           `json:"receipt,omitempty"`
	Spooled         string                 `json:"spooled,omitempty"` // why there is no receipt yet
	Facts           *FactsJSON             `json:"facts,omitempty"`
	Signals         []SignalJSON           `json:"signals,omitempty"`
	Logs            []LogJSON              `json:"logs,omitempty"`
	Span            *SpanJSON              `json:"span,omitempty"`
	Noted           map[string]any         `json:"noted,omitempty"`
	Remarks         []string               `json:"remarks,omitempty"`
}

// ResultValue is a result's exact decimal with unit and direction. Value is ""
// and JSON's null when what the rig sent is no number; Refused then says so.
type ResultValue struct {
	Value   json.Number `json:"value"`
	Unit    string      `json:"unit"`
	Better  string      `json:"better"`
	Refused string      `json:"refused,omitempty"`
}

// MarshalJSON keeps an empty Value from becoming a zero.
func (v ResultValue) MarshalJSON() ([]byte, error) {
	type plain ResultValue
	if v.Value != "" {
		return json.Marshal(plain(v))
	}
	return json.Marshal(struct {
		Value *json.Number `json:"value"` // hides the one below
		plain
	}{nil, plain(v)})
}

func resultValue(r timing.Result) ResultValue {
	v := ResultValue{Value: json.Number(r.Value), Unit: r.Unit, Better: r.Better}
	if _, err := strconv.ParseFloat(r.Value, 64); err != nil || !json.Valid([]byte(r.Value)) {
		v.Value, v.Refused = "", fmt.Sprintf("the rig sent %q, which is no number", r.Value)
	}
	return v
}

// StatisticsJSON holds null for each number that Refused explains.
type StatisticsJSON struct {
	Frames            *int              `json:"frames"`
	ElapsedSeconds    *float64          `json:"elapsed_seconds"` // sum of the frame times
	RateMean          *float64          `json:"rate_mean"`
	FrametimeMS       Percentiles       `json:"frametime_ms"`
	SlowestOnePctMean *float64          `json:"slowest_1pct_mean_ms"`
	Refused           map[string]string `json:"refused"`
	Flagged           map[string]string `json:"flagged,omitempty"`
}

// Percentiles are of frame times, by Hyndman and Fan's type 7, in milliseconds.
type Percentiles struct {
	P50  *float64 `json:"p50"`
	P95  *float64 `json:"p95"`
	P99  *float64 `json:"p99"`
	P999 *float64 `json:"p999"`
}

// CostJSON is what the agent itself took; null is what was not measured.
type CostJSON struct {
	CPUSeconds   *float64 `json:"cpu_seconds"`
	PeakRSSBytes *int64   `json:"peak_rss_bytes"`
}

// ReceiptJSON says where the record stands in the trail; Head is the signed note.
type ReceiptJSON struct {
	Index    int64     `json:"index"`
	TreeSize int64     `json:"tree_size"`
	Kept     time.Time `json:"kept"`
	Leaf     []byte    `json:"leaf"`
	Proof    []string  `json:"proof"`
	Head     string    `json:"head"`
	// Of a delivery: the head that the rig had seen before, and the proof between
	// that tree and this.
	SeenSize    int64    `json:"seen_size,omitempty"`
	Consistency []string `json:"consistency,omitempty"`
}

// FactsJSON holds the snapshots before and after the run.
type FactsJSON struct {
	Before []rig.Fact `json:"before"`
	After  []rig.Fact `json:"after"`
}

// SignalJSON is a signal in its unit; offsets are seconds from the run's start.
type SignalJSON struct {
	Key            rig.Key             `json:"key"`
	Unit           rig.Unit            `json:"unit"`
	Source         string              `json:"source"`
	Counter        bool                `json:"counter,omitempty"`
	Unread         rig.Reason          `json:"unread,omitempty"`
	Detail         string              `json:"detail,omitempty"`
	Limits         map[string]*float64 `json:"limits,omitempty"` // null when the sensor's is no number
	Gaps           []GapJSON           `json:"gaps,omitempty"`
	OffsetsSeconds []float64           `json:"offsets_seconds"`
	Values         []float64           `json:"values"`
}

// GapJSON is a stretch without samples.
type GapJSON struct {
	FromSeconds float64    `json:"from_seconds"`
	ToSeconds   float64    `json:"to_seconds"`
	Unread      rig.Reason `json:"unread"`
	Detail      string     `json:"detail,omitempty"`
}

// SpanJSON is when a run made from a log took place.
type SpanJSON struct {
	Name string    `json:"name,omitempty"`
	From BoundJSON `json:"from"`
	To   BoundJSON `json:"to"`
}

// BoundJSON is one end of a span; the boot clock's is null when it is not known.
type BoundJSON struct {
	Wall             time.Time `json:"wall"`
	BootID           string    `json:"boot_id"`
	SinceBootSeconds *float64  `json:"since_boot_seconds"`
	How              string    `json:"how"`
	Detail           string    `json:"detail,omitempty"`
}

func boundJSON(b record.Bound) BoundJSON {
	j := BoundJSON{Wall: b.Wall, BootID: b.Boot, How: b.How, Detail: b.Detail}
	if b.Boot != "" {
		s := b.SinceBoot.Seconds()
		j.SinceBootSeconds = &s
	}
	return j
}

// ClockJSON says how the rig's clocks stood at the run. AheadSeconds, of its wall
// clock over the collector's, is null where Unread says why.
type ClockJSON struct {
	BootID             string           `json:"boot_id"`
	SinceBootSeconds   float64          `json:"since_boot_seconds"`
	AheadSeconds       *float64         `json:"ahead_seconds"`
	UncertaintySeconds *float64         `json:"uncertainty_seconds"`
	Unread             rig.Reason       `json:"unread,omitempty"`
	Detail             string           `json:"detail,omitempty"`
	Events             []ClockEventJSON `json:"events,omitempty"`
}

// ClockEventJSON is what became of the clocks during the run.
type ClockEventJSON struct {
	Kind      string  `json:"kind"` // step, suspend, boot
	AtSeconds float64 `json:"at_seconds"`
	BySeconds float64 `json:"by_seconds"`
}

func clockJSON(c *record.Clock) *ClockJSON {
	if c == nil {
		return nil
	}
	j := &ClockJSON{BootID: c.Boot, SinceBootSeconds: c.SinceBoot.Seconds(), Unread: c.Unread.Reason, Detail: c.Unread.Detail}
	if o := c.Offset; o != nil {
		ahead, uncertain := o.Ahead.Seconds(), o.Uncertainty.Seconds()
		j.AheadSeconds, j.UncertaintySeconds = &ahead, &uncertain
	}
	for _, e := range c.Events {
		j.Events = append(j.Events, ClockEventJSON{e.Kind, e.At.Seconds(), e.By.Seconds()})
	}
	return j
}

// LogJSON says how a timing log was read.
type LogJSON struct {
	Name    string      `json:"name"`
	Bytes   int64       `json:"bytes"`
	SHA256  string      `json:"sha256"`
	Column  string      `json:"column"`
	Kind    timing.Kind `json:"kind"`
	Unit    timing.Unit `json:"unit"`
	Rows    int         `json:"rows"`
	Refused string      `json:"refused,omitempty"`
	Detail  string      `json:"detail,omitempty"`
	Marks   []string    `json:"marks,omitempty"`
}

// Brief gives the run as listings show it.
func (s Summary) Brief() Run {
	r := Run{
		ID: s.ID, Rig: s.Rig, Workload: s.Workload, WorkloadVersion: s.WorkloadVersion, Setup: s.Setup,
		Group: s.Group, Repeat: s.Repeat, Started: s.Started, Clock: clockJSON(s.Clock), ElapsedSeconds: measured(s.Elapsed.Seconds()),
		Exit: s.Exit.Code, Outcome: s.Exit.Outcome, OutcomeDetail: s.Exit.Detail,
		Standing: s.Judgement.Standing, Flags: s.Judgement.Flags, MarkRun: s.Judgement.MarkRun,
		Results: map[string]ResultValue{}, Statistics: s.Statistics.json(),
		AgentCost:    CostJSON{measured(s.AgentCost.CPU.Seconds()), measured(s.AgentCost.PeakRSS)},
		RecordSHA256: hex.EncodeToString(s.RecordSHA256[:]), Played: s.Played,
	}
	r.Retracted, r.Retractions, r.JudgedStanding = s.Retraction.json()
	if r.Flags == nil {
		r.Flags = []drift.Flag{}
	}
	for _, x := range s.Results {
		r.Results[x.Name] = resultValue(x)
	}
	return r
}

func (s Statistics) json() StatisticsJSON {
	j := StatisticsJSON{
		RateMean:          pointer(s.RateMean),
		FrametimeMS:       Percentiles{pointer(s.P50), pointer(s.P95), pointer(s.P99), pointer(s.P999)},
		SlowestOnePctMean: pointer(s.SlowestOnePctMean), Refused: map[string]string{}, Flagged: s.Flagged,
	}
	maps.Copy(j.Refused, s.Refused)
	if why := s.Refused["rate_mean"]; s.Frames == 0 && why != "" { // there was no log to count in
		j.Refused["frames"], j.Refused["elapsed_seconds"] = why, why
		return j
	}
	elapsed := s.Elapsed.Seconds()
	j.Frames, j.ElapsedSeconds = &s.Frames, &elapsed
	return j
}

// measured is a quantity of which a record has 0 when nobody measured it.
func measured[N int64 | float64](n N) *N {
	if n == 0 {
		return nil
	}
	return &n
}

func pointer(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// ReceiptOf shows a receipt; nil for one that says nothing.
func ReceiptOf(r trail.Receipt) *ReceiptJSON {
	if len(r.Leaf) == 0 {
		return nil
	}
	j := &ReceiptJSON{
		Index: r.Index, TreeSize: r.Size, Leaf: r.Leaf, Head: string(r.Head), Proof: append([]string{}, hashes(r.Proof)...),
		SeenSize: r.SeenSize, Consistency: hashes(r.Consistency),
	}
	if e, err := trail.ParseEntry(r.Leaf); err == nil {
		j.Kept = e.At
	}
	return j
}

func hashes(list []trail.Hash) (out []string) {
	for _, h := range list {
		out = append(out, hex.EncodeToString(h[:]))
	}
	return out
}

// WithRecord adds what only the record itself holds: facts, signals, logs, what
// the setup notes.
func (r Run) WithRecord(rec *record.Run) Run {
	r.Facts = &FactsJSON{Before: facts(rec.Before), After: facts(rec.After)}
	r.Signals = []SignalJSON{}
	for _, s := range rec.Signals {
		r.Signals = append(r.Signals, signalJSON(s))
	}
	for _, l := range rec.Logs {
		r.Logs = append(r.Logs, logJSON(rec, l))
	}
	if s := rec.Span; s != nil {
		r.Span = &SpanJSON{Name: s.Name, From: boundJSON(s.From), To: boundJSON(s.To)}
	}
	r.Remarks = rec.Remarks
	r.Noted = noted(rec)
	return r
}

// noted gives the [noted] table of the record's setup file. A file that cannot
// be read gives nothing: the collector refused it before it kept the record.
func noted(rec *record.Run) map[string]any {
	if rec.Setup == nil {
		return nil
	}
	s, err := setup.ParseSetup(rec.Setup.FileName, rec.Setup.Source)
	if err != nil {
		return nil
	}
	m := map[string]any{}
	for k, v := range s.Noted {
		switch v.Kind {
		case setup.Number:
			m[k] = v.Number
		case setup.Truth:
			m[k] = v.Truth
		default:
			m[k] = v.String()
		}
	}
	return m
}

func facts(s rig.Snapshot) []rig.Fact {
	if s.Facts == nil {
		return []rig.Fact{}
	}
	return s.Facts
}

func signalJSON(s rig.Signal) SignalJSON {
	j := SignalJSON{
		Key: s.Key, Unit: s.Unit, Source: s.Source, Counter: s.Counter, Unread: s.Unread.Reason, Detail: s.Unread.Detail,
		OffsetsSeconds: make([]float64, len(s.Offsets)), Values: make([]float64, len(s.Values)),
	}
	for i := range s.Values {
		j.OffsetsSeconds[i], j.Values[i] = s.Offsets[i].Seconds(), s.At(i)
	}
	for _, l := range s.Limits {
		if j.Limits == nil {
			j.Limits = map[string]*float64{}
		}
		j.Limits[l.Name] = pointer(l.Value)
	}
	for _, g := range s.Gaps {
		j.Gaps = append(j.Gaps, GapJSON{g.From.Seconds(), g.To.Seconds(), g.Reason, g.Detail})
	}
	return j
}

func logJSON(rec *record.Run, l record.Log) LogJSON {
	j := LogJSON{
		Name: l.Attachment, Column: l.Spec.Column, Kind: l.Spec.Kind, Unit: l.Spec.Unit,
		Rows: l.Rows, Refused: l.Refused, Detail: l.Detail,
	}
	for _, a := range rec.Attachments {
		if a.Name == l.Attachment {
			j.Bytes, j.SHA256 = a.Size, hex.EncodeToString(a.SHA256[:])
		}
	}
	for _, m := range l.Marks {
		j.Marks = append(j.Marks, m.Code+": "+m.Detail)
	}
	return j
}
