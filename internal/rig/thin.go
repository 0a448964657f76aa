package rig

import "slices"

// stretch is how many evenly spaced samples of a thinned signal share the least
// and the greatest that are kept with them, so that these two do not outweigh
// the others in a median; a design choice.
const stretch = 8

// Thinned gives the signal with every by-th sample, and with the least and the
// greatest of each stretch of 8 such steps, and the last, wherever they lie:
// what is kept was sampled as it stands, and no peak is lost. Of a counter that
// is all but the speed between samples. It shares no samples with s.
func (s Signal) Thinned(by int) Signal {
	kept := s.kept(by)
	offsets, values := s.Offsets, s.Values
	s.Offsets, s.Values = slices.Clone(offsets[:0:0]), slices.Clone(values[:0:0])
	for _, k := range kept {
		s.Offsets, s.Values = append(s.Offsets, offsets[k]), append(s.Values, values[k])
	}
	return s
}

// kept gives the indices of the samples that stay, in order.
func (s Signal) kept(by int) []int {
	var out []int
	by = max(by, 1)
	for from := 0; from < len(s.Values); from += stretch * by {
		to := min(from+stretch*by, len(s.Values))
		least, greatest := from, from
		for k := from; k < to; k++ {
			if (k-from)%by == 0 {
				out = append(out, k)
			}
			if s.Values[k] < s.Values[least] {
				least = k
			}
			if s.Values[k] > s.Values[greatest] {
				greatest = k
			}
		}
		out = append(out, least, greatest)
	}
	if n := len(s.Values); n > 0 {
		out = append(out, n-1)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Thin thins each of the signals.
func Thin(signals []Signal, by int) []Signal {
	out := make([]Signal, len(signals))
	for i, s := range signals {
		out[i] = s.Thinned(by)
	}
	return out
}

// Samples counts those of all signals.
func Samples(signals []Signal) (n int) {
	for _, s := range signals {
		n += len(s.Values)
	}
	return n
}
