package timing

// setStamp decides which column of time stamps the durations are checked against.
func (s *sketch) setStamp(l *Layout, index int, spec Spec) error {
	l.Stamp, l.StampUnit = 0, ""
	if l.Kind == Timestamp || spec.Stamp == none {
		return nil
	}
	if spec.Stamp != "" {
		i, err := s.find("stamp", spec.Stamp)
		if err != nil {
			return err
		}
		l.Stamp, l.StampUnit = i+1, spec.StampUnit
		if l.StampUnit == "" {
			l.StampUnit = s.stampUnit(i, index, l.Unit)
		}
		if l.StampUnit == "" {
			return &Ambiguous{
				Code: "unit", Columns: []string{l.label(i)}, Why: "nothing says the unit of the time stamps in column " + l.label(i),
				Add: advise(choice{"stamp_unit", "s"}, choice{"stamp_unit", "ms"}, choice{"stamp_unit", "us"}, choice{"stamp_unit", "ns"}),
			}
		}
		return nil
	}
	for i := range s.cols {
		if i == index || !s.isStamp(i, l.Decimal) {
			continue
		}
		u := spec.StampUnit
		if u == "" {
			u = s.stampUnit(i, index, l.Unit)
		}
		if u != "" {
			l.Stamp, l.StampUnit = i+1, u
			return nil
		}
	}
	return nil
}

// isStamp reports whether a column holds time stamps by its name and its sample.
func (s *sketch) isStamp(i int, decimal string) bool {
	c := &s.cols[i]
	if c.class != nameStamp && c.class != nameTime || !c.numeric() || !c.rising() || c.missing > 0 {
		return false
	}
	return decimal == "." && c.commas == 0 || decimal == "," && c.dots == 0
}

// stampUnit is the unit a stamp column states, or the one in which the sample's
// stamps span what its durations add up to, within a factor of 30; "" when there
// is none.
func (s *sketch) stampUnit(stamp, index int, unit Unit) Unit {
	c, d := &s.cols[stamp], &s.cols[index]
	if c.stated() != "" || len(c.values) < 2 || len(c.values) != len(d.values) {
		return c.stated()
	}
	var sum uint64
	for i := range d.values {
		if v, _, ok := d.values[i].scaled(unit.exponent()); ok && v > 0 && sum < 1<<63 {
			sum += uint64(v)
		}
	}
	for _, u := range allUnits {
		a, _, okA := c.values[0].scaled(u.exponent())
		b, _, okB := c.values[len(c.values)-1].scaled(u.exponent())
		if !okA || !okB || b <= a {
			continue
		}
		if span := uint64(b) - uint64(a); span/30 <= sum && sum/30 <= span {
			return u
		}
	}
	return ""
}
