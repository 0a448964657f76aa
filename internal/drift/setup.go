package drift

import (
	"witnessmark/internal/rig"
	"witnessmark/internal/setup"
)

// ReadSetup parses a setup file, whose facts must be known and in the units of
// the catalogue.
func ReadSetup(name string, data []byte) (*setup.Setup, error) {
	s, err := setup.ParseSetup(name, data)
	if err != nil {
		return nil, err
	}
	if err := s.Check(func(key string) (string, bool) { return string(rig.Nearest(rig.Key(key))), Known(rig.Key(key)) }); err != nil {
		return nil, err
	}
	return s, s.CheckUnits(func(key string) string {
		e, _ := rig.Lookup(rig.Key(key))
		return string(e.Unit)
	})
}
