package probe

import (
	"fmt"

	"witnessmark/internal/rig"
)

// clockSync puts whether the wall clock is held to a reference, and how far
// off it may be. Only the kernel knows; no file says.
func (s *sheet) clockSync() {
	const source = "adjtimex(2)"
	var synchronised int
	var most, offset float64
	text, err := s.tree.Ask("adjtimex", adjtimex)
	if err == nil {
		_, err = fmt.Sscanf(text, "synchronised=%d maxerror_us=%g offset_us=%g", &synchronised, &most, &offset)
		if err != nil {
			err = &unreadError{source, rig.Unread{Reason: rig.Implausible, Detail: cut(clean(text))}}
		}
	}
	if err != nil {
		for _, k := range []rig.Key{"clock.synchronised", "clock.error_max", "clock.offset"} {
			s.put(k, failed(source, err))
		}
		return
	}
	s.put("clock.synchronised", truthReading(source, synchronised == 1))
	s.put("clock.error_max", numberReading(source, most, 0, 1e12))
	s.put("clock.offset", numberReading(source, offset, -1e12, 1e12))
}
