package screen

import (
	"fmt"
	"regexp"
	"strconv"
)

// Size is a flag that takes a number of bytes: 512 MiB, 2GiB.
type Size int64

var sizeForm = regexp.MustCompile(`^([1-9][0-9]{0,5}) ?([KMGT])iB$`)

// Set reads what was given.
func (s *Size) Set(text string) error {
	m := sizeForm.FindStringSubmatch(text)
	if m == nil {
		return fmt.Errorf("%q is no size such as 512 MiB; KiB, MiB, GiB and TiB are known", text)
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	if err != nil {
		return err
	}
	*s = Size(n << map[string]int{"K": 10, "M": 20, "G": 30, "T": 40}[m[2]])
	return nil
}

// String writes it so that Set takes it back.
func (s *Size) String() string {
	n, unit := int64(*s)>>10, 0
	for n%1024 == 0 && n > 0 && unit < 3 {
		n, unit = n>>10, unit+1
	}
	return fmt.Sprintf("%d %ciB", n, "KMGT"[unit])
}

// Type is shown where no name is given.
func (*Size) Type() string { return "SIZE" }
