package timing

import (
	"fmt"
	"strings"
	"testing"
)

// stamped writes n frames of 100 to 109 ms, less those dropped, with the time at
// the start (after 0) or the end (after 1) of each.
func stamped(n, after int, dropped map[int]bool) string {
	var b strings.Builder
	b.WriteString("time_s,frame_ms\n")
	at := 5000
	for i := range n {
		t := 100 + i*7%10
		if !dropped[i] {
			fmt.Fprintf(&b, "%d.%03d,%d\n", (at+after*t)/1000, (at+after*t)%1000, t)
		}
		at += t
	}
	return b.String()
}

// coarse writes n frames of 10 ms with the time in whole seconds.
func coarse(n int) string {
	var b strings.Builder
	b.WriteString("time_s,frame_ms\n")
	for i := range n {
		fmt.Fprintf(&b, "%d,%d\n", (995+i*10)/1000, 10)
	}
	return b.String()
}

func TestStamps(t *testing.T) {
	l, err := Parse([]byte("timestamp_s,frame_ms\n100.5,400\n100.9,700\n"), Spec{})
	if err != nil {
		t.Fatal(err)
	}
	if l.FirstStamp == nil || *l.FirstStamp != 100500000000 || *l.LastStamp != 100900000000 || l.Layout.Stamp != 1 {
		t.Errorf("%+v", l)
	}
	l, err = Parse([]byte("timestamp_ms\n100\n900\n1800\n"), Spec{})
	if err != nil {
		t.Fatal(err)
	}
	if *l.FirstStamp != 100e6 || *l.LastStamp != 1800e6 || l.Layout.Stamp != 0 || l.Rows != 3 {
		t.Errorf("%+v", l)
	}
	l, err = Parse([]byte("frame_ms\n400\n900\n"), Spec{})
	if err != nil || l.FirstStamp != nil || l.LastStamp != nil {
		t.Errorf("%+v, %v", l, err)
	}
}
