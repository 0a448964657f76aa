package stats

import (
	"math"
	"slices"
)

// Sessions compares the spread between sessions (boots, days) with the spread of
// the repeats inside them, and gives the standard uncertainty of the mean that
// follows: from the session means where they differ, else from all repeats.
//
// Source: JCGM 100:2008 (GUM) H.5 (memory, arithmetic reproduced).
type Sessions struct {
	Grade
	K            int     // sessions
	N            int     // repeats in all
	Mean         float64 // of the session means
	SDMeans      float64 // s_a, of the session means
	SDWithin     float64 // s_w, pooled inside the sessions
	F, P         float64
	DF1, DF2     float64
	Significant  bool
	U            float64 // standard uncertainty of Mean, in force
	UDF          float64 // its degrees of freedom
	UFromMeans   float64 // s_a/sqrt(K)
	UFromRepeats float64 // s/sqrt(Km), right only when sessions do not differ
}

// BetweenSessions judges one list of values for each session, usually logs of
// rates, at significance alpha (0 means 0.05). Fewer than five sessions give the
// F test no power: then sessions that spread more than chance (F > 1) rule.
// Sessions may hold different numbers of repeats.
func BetweenSessions(sessions [][]float64, alpha float64) Sessions {
	means := make([]float64, len(sessions))
	for i, s := range sessions {
		if means[i] = Mean(s); len(s) == 0 || !finite(s) {
			r := Sessions{K: len(sessions)}
			r.refuse(TooFewValues, "session %d has no finite value", i)
			return r
		}
	}
	a := OneWay(sessions)
	s := Sessions{Grade: Grade{Status: OK}, K: len(sessions), N: a.N, Mean: Mean(means), SDMeans: SD(means)}
	s.SDWithin = math.Sqrt(a.Within.MS)
	s.F, s.P, s.DF1, s.DF2 = a.Between.F, a.Between.P, float64(a.Between.DF), float64(a.Within.DF)
	s.UFromRepeats = math.Sqrt((a.Between.SS+a.Within.SS)/float64(s.N-1)) / math.Sqrt(float64(s.N))
	s.decide(alpha)
	return s
}

// BetweenSessionsSummary is BetweenSessions from k sessions of m repeats whose
// means have the standard deviation sdMeans and which have sdWithin inside.
func BetweenSessionsSummary(k, m int, mean, sdMeans, sdWithin, alpha float64) Sessions {
	s := Sessions{Grade: Grade{Status: OK}, K: k, N: k * m, Mean: mean, SDMeans: sdMeans, SDWithin: sdWithin}
	s.DF1, s.DF2 = float64(k-1), float64(k*(m-1))
	s.F = float64(m) * sdMeans * sdMeans / (sdWithin * sdWithin)
	s.P = fAbove(s.F, s.DF1, s.DF2)
	ss := s.DF1*float64(m)*sdMeans*sdMeans + s.DF2*sdWithin*sdWithin
	s.UFromRepeats = math.Sqrt(ss / float64(s.N-1) / float64(s.N))
	s.decide(alpha)
	return s
}

func (s *Sessions) decide(alpha float64) {
	defaultTo(&alpha, 0.05)
	if s.N < 2 {
		s.refuse(SingleRun, "one run shows no spread")
		return
	}
	if s.K < 2 {
		s.U, s.UDF = s.UFromRepeats, float64(s.N-1)
		s.flag(OneSession, "all %d repeats come from one session", s.N)
		return
	}
	s.UFromMeans = s.SDMeans / math.Sqrt(float64(s.K))
	s.Significant = s.P < alpha
	s.U, s.UDF = s.UFromMeans, float64(s.K-1)
	if s.DF2 == 0 {
		return // the sessions are the repeats
	}
	if s.Significant || s.K < 5 && s.F > 1 {
		s.flag(SessionSpread, "F = %.3g, p = %.2g over %d sessions: the uncertainty comes from their means", s.F, s.P, s.K)
		return
	}
	s.U, s.UDF = s.UFromRepeats, float64(s.N-1)
}

// NestedSessions tests whether sessions differ inside their cells: one list of
// values for each session of each cell, usually logs of rates, with the spread of
// the values inside the sessions as yardstick. P is NaN where no cell has two
// sessions or no session two values.
//
// Source: nested analysis of variance (memory).
type NestedSessions struct {
	F, P     float64
	DF1, DF2 int
}

// SessionsInside computes the test. Empty sessions count for nothing.
func SessionsInside(cells [][][]float64) NestedSessions {
	var t NestedSessions
	var between, within float64
	for _, cell := range cells {
		kept := slices.DeleteFunc(slices.Clone(cell), func(s []float64) bool { return len(s) == 0 })
		if len(kept) == 0 {
			continue
		}
		a := OneWay(kept)
		between, within = between+a.Between.SS, within+a.Within.SS
		t.DF1, t.DF2 = t.DF1+a.Between.DF, t.DF2+a.Within.DF
	}
	t.F = between / float64(t.DF1) / (within / float64(t.DF2))
	t.P = fAbove(t.F, float64(t.DF1), float64(t.DF2))
	return t
}
