package audit

import (
	"errors"
	"strings"

	"witnessmark/internal/fault"
)

// Find gives the open alarm that a name, or some letters of it, mean.
func (a *Auditor) Find(name string) (Alarm, error) { return a.find(name) }

func (a *Auditor) find(name string) (Alarm, error) {
	open, err := a.Open()
	if err != nil {
		return Alarm{}, err
	}
	var found []Alarm
	for _, al := range open {
		if strings.HasPrefix(al.Name, name) || strings.HasSuffix(al.Name, "-"+name) {
			found = append(found, al)
		}
	}
	switch {
	case len(found) == 0:
		return Alarm{}, fault.New("find", "", errors.New("no such alarm is open")).WithHint("list them with: agent trail")
	case len(found) > 1:
		return Alarm{}, fault.New("find", "", errors.New("more than one fits")).WithHint("give more letters of its name")
	}
	return found[0], nil
}

// Refuses says whether the collector showed what an alarm is about when it was last
// met, and not the right trail since.
func (a *Auditor) Refuses(al Alarm) (bool, error) {
	m, err := a.look(al.Collector)
	return m.Refused == al.Name, err
}
