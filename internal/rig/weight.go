package rig

import "fmt"

// Weight says how heavily a finding bears on a result.
type Weight uint8

const (
	Note    Weight = iota + 1 // worth knowing; the result stands
	Caution                   // the result may mislead; use only knowingly
	Void                      // do not use this result
)

// String gives note, caution or void.
func (w Weight) String() string {
	switch w {
	case Note:
		return "note"
	case Caution:
		return "caution"
	case Void:
		return "void"
	}
	return fmt.Sprintf("weight(%d)", uint8(w))
}

// ParseWeight is the inverse of String.
func ParseWeight(s string) (Weight, error) {
	for _, w := range []Weight{Note, Caution, Void} {
		if w.String() == s {
			return w, nil
		}
	}
	return 0, fmt.Errorf("weight %q is not note, caution or void", s)
}

// MarshalText gives String.
func (w Weight) MarshalText() ([]byte, error) { return []byte(w.String()), nil }

// UnmarshalText takes what MarshalText gives.
func (w *Weight) UnmarshalText(b []byte) (err error) {
	*w, err = ParseWeight(string(b))
	return err
}
